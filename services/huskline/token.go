package main

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/access"
	"huskline/internal/rpc"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

type tokenCmd struct {
	Make   tokenMakeCmd   `cmd:"" help:"Make a token and print its secret, once."`
	List   tokenListCmd   `cmd:"" help:"List tokens."`
	Revoke tokenRevokeCmd `cmd:"" help:"End a token at once, for good."`
}

type tokenMakeCmd struct {
	Name  string        `arg:"" help:"Name of the device or person; shown as the actor of what it does."`
	Roles []string      `required:"" help:"Roles, separated by commas: weigh-post, receiver, grader, buyer, payer, stock-clerk, operator, quality, shipper, accountant, auditor, administrator." sep:","`
	For   time.Duration `help:"How long it holds." default:"8760h"`
}

// Run makes the secret here and registers its hash with every service; the secret itself leaves this process on standard output only.
func (c *tokenMakeCmd) Run(s *session) error {
	if _, err := access.ParseRoles(c.Roles); err != nil {
		return err
	}
	p, err := s.dial()
	if err != nil {
		return err
	}
	defer p.close()
	raw := make([]byte, 32)
	if _, err := rand.Read(raw); err != nil {
		return err
	}
	secret := hex.EncodeToString(raw)
	id := uuid.NewString()
	expires := timestamppb.New(s.now().Add(c.For))
	hash := access.Hash(secret)
	err = p.each(s.ctx, func(ctx context.Context, name string) (err error) {
		switch name {
		case "intake":
			_, err = p.intake.IssueToken(ctx, &intakev1.IssueTokenRequest{CommandId: id, Name: c.Name, Roles: c.Roles, SecretSha256: hash, Expires: expires})
		case "inventory":
			_, err = p.inventory.IssueToken(ctx, &inventoryv1.IssueTokenRequest{CommandId: id, Name: c.Name, Roles: c.Roles, SecretSha256: hash, Expires: expires})
		case "production":
			_, err = p.production.IssueToken(ctx, &productionv1.IssueTokenRequest{CommandId: id, Name: c.Name, Roles: c.Roles, SecretSha256: hash, Expires: expires})
		}
		return err
	})
	if err != nil {
		return err
	}
	object := struct {
		TokenID string   `json:"token_id"`
		Name    string   `json:"name"`
		Roles   []string `json:"roles"`
		Expires string   `json:"expires"`
		Token   string   `json:"token"`
	}{id, c.Name, c.Roles, printTime(expires), secret}
	return s.print(answer{object: object, sheets: []sheet{{
		columns: []string{"token id", "name", "roles", "expires", "token"}, rows: [][]string{{id, c.Name, strings.Join(c.Roles, " "), printTime(expires), secret}},
		note: "The token is shown this once; the services keep its hash only.",
	}}})
}

// each calls every service in turn and names the one that failed.
func (p *plant) each(ctx context.Context, call func(ctx context.Context, service string) error) error {
	for _, name := range serviceNames() {
		if err := rpc.FromStatus(call(ctx, name)); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	return nil
}

type tokenListCmd struct{}

// Run lists the tokens that intake knows; every service is given the same.
func (c *tokenListCmd) Run(s *session) error {
	p, err := s.dial()
	if err != nil {
		return err
	}
	defer p.close()
	type object struct {
		TokenID string   `json:"token_id"`
		Name    string   `json:"name"`
		Roles   []string `json:"roles"`
		Expires string   `json:"expires"`
		Revoked string   `json:"revoked"`
	}
	objects := []object{}
	sh := sheet{columns: []string{"token id", "name", "roles", "expires", "revoked"}}
	for page := ""; ; {
		got, err := p.intake.ListTokens(s.ctx, &intakev1.ListTokensRequest{PageSize: 1000, PageToken: page})
		if err != nil {
			return rpc.FromStatus(err)
		}
		for _, t := range got.GetTokens() {
			o := object{t.GetTokenId(), t.GetName(), t.GetRoles(), printTime(t.GetExpires()), printTime(t.GetRevoked())}
			objects = append(objects, o)
			sh.rows = append(sh.rows, []string{o.TokenID, o.Name, strings.Join(o.Roles, " "), o.Expires, o.Revoked})
		}
		if page = got.GetNextPageToken(); page == "" {
			return s.print(answer{object: objects, sheets: []sheet{sh}})
		}
	}
}

type tokenRevokeCmd struct {
	ID string `arg:"" help:"Id of the token."`
}

// Run revokes the token in every service.
func (c *tokenRevokeCmd) Run(s *session) error {
	p, err := s.dial()
	if err != nil {
		return err
	}
	defer p.close()
	id := uuid.NewString()
	err = p.each(s.ctx, func(ctx context.Context, name string) (err error) {
		switch name {
		case "intake":
			_, err = p.intake.RevokeToken(ctx, &intakev1.RevokeTokenRequest{CommandId: id, TokenId: c.ID})
		case "inventory":
			_, err = p.inventory.RevokeToken(ctx, &inventoryv1.RevokeTokenRequest{CommandId: id, TokenId: c.ID})
		case "production":
			_, err = p.production.RevokeToken(ctx, &productionv1.RevokeTokenRequest{CommandId: id, TokenId: c.ID})
		}
		return err
	})
	if err == nil {
		_, err = fmt.Fprintf(s.errout, "token %s is revoked; every service refuses it within 5 seconds\n", c.ID)
	}
	return err
}
