package access

import (
	"context"
	"crypto/sha256"
	"embed"
	"errors"
	"strconv"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"huskline/internal/fault"
)

// Migrations holds the tables of tokens; they are only ever added to.
//
//go:embed migrations/*.sql
var Migrations embed.FS

// Token is a device's or person's right to call, without its secret.
type Token struct {
	ID      string
	Name    string
	Roles   []Role
	Expires time.Time
	Revoked time.Time // zero: not revoked
}

// Querier is a pool or a transaction.
type Querier interface {
	Exec(ctx context.Context, sql string, args ...any) (pgconn.CommandTag, error)
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
}

// Hash is what is stored of a secret. Secrets are 32 random bytes, so a plain SHA-256 is enough.
func Hash(secret string) []byte {
	sum := sha256.Sum256([]byte(secret))
	return sum[:]
}

// Issue registers a token by the hash of its secret. The same id and hash again change nothing.
func Issue(ctx context.Context, q Querier, t Token, secretSHA256 []byte, at time.Time) error {
	if !t.Expires.After(at) {
		return fault.Invalid("token_expired", "token %q: expires %s, which is not after now, %s", t.Name, t.Expires.Format(time.RFC3339), at.Format(time.RFC3339))
	}
	tag, err := q.Exec(ctx, `
		insert into access_tokens (token_id, name, roles, secret_sha256, issued, expires)
		values ($1, $2, $3, $4, $5, $6)
		on conflict do nothing`,
		t.ID, t.Name, roleNames(t.Roles), secretSHA256, at, t.Expires)
	if err != nil {
		return err
	}
	if tag.RowsAffected() == 0 {
		return fault.Conflict("token_known", "token %q: this secret or id is registered already", t.Name)
	}
	return nil
}

// Revoke ends a token at once, for good. Revoking it again changes nothing. The last administrator's is refused; q is a transaction, which undoes it.
func Revoke(ctx context.Context, q Querier, id string, at time.Time) error {
	var known, administrator bool
	const find = `select count(*) > 0, coalesce(bool_or($2 = any(roles)), false) from access_tokens where token_id = $1`
	if err := q.QueryRow(ctx, find, id, string(Administrator)).Scan(&known, &administrator); err != nil {
		return err
	}
	if !known {
		return fault.NotFound("token_unknown", "token %q: there is none of this id", id)
	}
	if _, err := q.Exec(ctx, `insert into access_revocations (token_id, revoked) values ($1, $2) on conflict do nothing`, id, at); err != nil || !administrator {
		return err
	}
	var left bool
	err := q.QueryRow(ctx, `select exists (
		select from access_tokens t where $1 = any(t.roles) and t.expires > $2 and not exists (select from access_revocations r where r.token_id = t.token_id))`,
		string(Administrator), at).Scan(&left)
	if err == nil && !left {
		err = fault.Precondition("last_administrator", "token %q: no other token of an administrator would be left; make one first", id)
	}
	return err
}

// List gives tokens by id after a given one, at most limit.
func List(ctx context.Context, q Querier, after string, limit int) ([]Token, error) {
	rows, err := q.Query(ctx, `
		select t.token_id, t.name, t.roles, t.expires, coalesce(r.revoked, 'epoch')
		from access_tokens t left join access_revocations r using (token_id)
		where t.token_id > $1 order by t.token_id limit $2`, after, limit)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (Token, error) { return scanToken(row) })
}

func scanToken(row pgx.Row) (Token, error) {
	var t Token
	var roles []string
	if err := row.Scan(&t.ID, &t.Name, &roles, &t.Expires, &t.Revoked); err != nil {
		return Token{}, err
	}
	for _, r := range roles {
		t.Roles = append(t.Roles, Role(r))
	}
	if t.Revoked.Unix() == 0 {
		t.Revoked = time.Time{}
	}
	return t, nil
}

// trust is how long a looked-up token is believed without asking the database again; a revoked device is refused after that at the latest.
const trust = 5 * time.Second

// maxTrusted bounds the memory of looked-up tokens.
const maxTrusted = 10_000

// Verifier knows callers by their secrets.
type Verifier struct {
	db  Querier
	now func() time.Time

	mu    sync.Mutex
	known map[string]trusted
}

type trusted struct {
	token Token
	until time.Time
}

// NewVerifier reads tokens from the service's own database.
func NewVerifier(db Querier, now func() time.Time) *Verifier {
	return &Verifier{db: db, now: now, known: map[string]trusted{}}
}

// Verify finds the actor of a secret. An unknown, expired or revoked one is refused without telling which, so that nothing is learned by trying.
func (v *Verifier) Verify(ctx context.Context, secret string) (Actor, error) {
	refusal := fault.Unauthenticated("token_refused", "token refused: unknown, expired or revoked")
	if secret == "" {
		return Actor{}, fault.Unauthenticated("token_missing", "token missing: send the header authorization: Bearer TOKEN")
	}
	token, err := v.lookUp(ctx, string(Hash(secret)))
	if errors.Is(err, pgx.ErrNoRows) {
		return Actor{}, refusal
	}
	if err != nil {
		return Actor{}, err
	}
	if !token.Revoked.IsZero() || !v.now().Before(token.Expires) {
		return Actor{}, refusal
	}
	return Actor{Name: token.Name, Roles: token.Roles}, nil
}

func (v *Verifier) lookUp(ctx context.Context, hash string) (Token, error) {
	v.mu.Lock()
	got, ok := v.known[hash]
	v.mu.Unlock()
	if ok && v.now().Before(got.until) {
		return got.token, nil
	}
	token, err := scanToken(v.db.QueryRow(ctx, `
		select t.token_id, t.name, t.roles, t.expires, coalesce(r.revoked, 'epoch')
		from access_tokens t left join access_revocations r using (token_id)
		where t.secret_sha256 = $1`, []byte(hash)))
	if err != nil {
		return Token{}, err
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	if len(v.known) >= maxTrusted {
		v.known = map[string]trusted{}
	}
	v.known[hash] = trusted{token: token, until: v.now().Add(trust)}
	return token, nil
}

// PageKey is how a page of tokens is continued.
func PageKey(token string) (string, error) {
	if token == "" {
		return "", nil
	}
	key, err := strconv.Unquote(token)
	if err != nil {
		return "", fault.Invalid("page_token", "page token %q: not one of ours", token)
	}
	return key, nil
}
