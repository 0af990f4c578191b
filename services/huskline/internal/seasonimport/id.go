package seasonimport

import (
	"crypto/sha256"
	"encoding/hex"
	"strconv"
	"strings"

	"github.com/google/uuid"

	"huskline/internal/lot"
	"huskline/services/huskline/internal/seasonfile"
)

// namespace is the UUIDv5 namespace of all ids that an import makes. It never changes: old imports must meet their ids again.
var namespace = uuid.MustParse("5b0a7c1e-93d4-5f6b-8a21-6e0c4d7f9b35")

// commandID is the id of the command that a row becomes: the UUIDv5 of file name and natural key, which may have several parts.
func commandID(file string, key ...string) string {
	return uuid.NewSHA1(namespace, []byte(file+"\n"+strings.Join(key, "\n"))).String()
}

// claimant is who claims the code of the lot that a row of the file bears. A lot is born once, so its code is key enough for a row of
// run_outputs.csv and for a bin lot, which several rows of pours.csv bear together.
func claimant(file string, id lot.ID) string {
	return commandID(file, "claim", string(id))
}

// claimsID names a batch of claims by its content: a folder that has grown claims anew, which a claimant may.
func claimsID(codes []string) string {
	sum := sha256.Sum256([]byte(strings.Join(codes, "\n")))
	return commandID("claims", hex.EncodeToString(sum[:]))
}

// batchID names a batch of weighings by where it begins and what it holds.
func batchID(b *seasonfile.Batch) string {
	return commandID(seasonfile.WeighingsFile, strconv.Itoa(b.FirstLine), hex.EncodeToString(b.Digest[:]))
}
