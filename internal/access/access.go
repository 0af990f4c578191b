// Package access says who may call what: roles, the one table from methods to roles (everything not in it is refused), and the tokens of
// devices and people.
package access

import (
	"context"
	"slices"
	"strings"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

// Role is what a device or a person may do.
type Role string

// The roles. Peer is another service of the plant, known by its certificate or connection, never by a token.
const (
	WeighPost     Role = "weigh-post"
	Receiver      Role = "receiver"
	Grader        Role = "grader"
	Buyer         Role = "buyer"
	Payer         Role = "payer"
	StockClerk    Role = "stock-clerk"
	Operator      Role = "operator"
	Quality       Role = "quality"
	Shipper       Role = "shipper"
	Accountant    Role = "accountant"
	Auditor       Role = "auditor"
	Administrator Role = "administrator"
	Peer          Role = "peer"
)

// TokenRoles lists the roles a token may carry, in the order they are shown.
func TokenRoles() []Role {
	return []Role{
		WeighPost, Receiver, Grader, Buyer, Payer, StockClerk, Operator, Quality, Shipper, Accountant, Auditor, Administrator,
	}
}

// ParseRoles reads role names. An unknown name is refused with the names there are.
func ParseRoles(names []string) ([]Role, error) {
	out := make([]Role, 0, len(names))
	for _, name := range names {
		if !slices.Contains(TokenRoles(), Role(name)) {
			return nil, fault.Invalid("role_unknown", "role %q: there are %s", name, strings.Join(roleNames(TokenRoles()), ", "))
		}
		out = append(out, Role(name))
	}
	return out, nil
}

func roleNames(roles []Role) []string {
	out := make([]string, len(roles))
	for i, r := range roles {
		out[i] = string(r)
	}
	return out
}

// Actor is who calls: a token's name and roles, or a service of the plant.
type Actor struct {
	Name  string
	Roles []Role
	Peer  lot.Producer // set where another service calls
}

// Has tells whether the actor carries the role.
func (a Actor) Has(r Role) bool { return slices.Contains(a.Roles, r) }

type actorKey struct{}

// WithActor carries the actor from the door inward.
func WithActor(ctx context.Context, a Actor) context.Context {
	return context.WithValue(ctx, actorKey{}, a)
}

// ActorOf is who calls; the zero Actor where nobody was identified.
func ActorOf(ctx context.Context) Actor {
	a, _ := ctx.Value(actorKey{}).(Actor)
	return a
}

// Check refuses a call whose method the table does not open to one of the actor's roles. A method that is not in the table is open to nobody.
func Check(a Actor, fullMethod string) error {
	for _, r := range table[fullMethod] {
		if a.Has(r) {
			return nil
		}
	}
	return fault.Denied("role_missing", "call %s: %q has roles [%s], it takes one of [%s]",
		fullMethod, a.Name, strings.Join(roleNames(a.Roles), " "), strings.Join(roleNames(table[fullMethod]), " "))
}

// Allowed is the roles that may call a method; none where it is not in the table.
func Allowed(fullMethod string) []Role { return slices.Clone(table[fullMethod]) }
