package access_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/reflect/protoreflect"

	"huskline/internal/access"
	"huskline/internal/fault"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

func methods() []string {
	var out []string
	for _, file := range []protoreflect.FileDescriptor{
		intakev1.File_huskline_intake_v1_intake_proto,
		intakev1.File_huskline_intake_v1_visit_proto,
		inventoryv1.File_huskline_inventory_v1_inventory_proto,
		productionv1.File_huskline_production_v1_production_proto,
	} {
		for i := range file.Services().Len() {
			service := file.Services().Get(i)
			for j := range service.Methods().Len() {
				out = append(out, "/"+string(service.FullName())+"/"+string(service.Methods().Get(j).Name()))
			}
		}
	}
	return out
}

// Every method of the contracts stands in the table with at least one role, and every role and no other passes. The deliberate breaks it
// catches: a method left out of the table, Check returning nil where no role matches.
func TestEveryMethodAndRole(t *testing.T) {
	t.Parallel()
	for _, method := range methods() {
		allowed := access.Allowed(method)
		if len(allowed) == 0 {
			t.Errorf("%s: open to nobody: missing in the table?", method)
		}
		for _, role := range append(access.TokenRoles(), access.Peer) {
			want := false
			for _, r := range allowed {
				want = want || r == role
			}
			err := access.Check(access.Actor{Name: "x", Roles: []access.Role{role}}, method)
			if got := err == nil; got != want {
				t.Errorf("%s as %s: allowed = %t, want %t (%v)", method, role, got, want, err)
			}
		}
		if err := access.Check(access.Actor{Name: "nobody"}, method); fault.KindOf(err) != fault.KindDenied {
			t.Errorf("%s without a role: %v, want denied", method, err)
		}
	}
}

func TestUnknownMethodIsOpenToNobody(t *testing.T) {
	t.Parallel()
	everybody := access.Actor{Name: "x", Roles: append(access.TokenRoles(), access.Peer)}
	for _, method := range []string{"", "huskline.intake.v1.IntakeService/ListParties", "/huskline.intake.v1.IntakeService/Nothing", "/x/y"} {
		if err := access.Check(everybody, method); fault.ReasonOf(err) != "role_missing" {
			t.Errorf("method %q: %v, want role_missing", method, err)
		}
	}
}

func TestParseRoles(t *testing.T) {
	t.Parallel()
	got, err := access.ParseRoles([]string{"quality", "weigh-post"})
	if diff := cmp.Diff([]access.Role{access.Quality, access.WeighPost}, got); diff != "" || err != nil {
		t.Errorf("roles: %v %s", err, diff)
	}
	for _, name := range []string{"peer", "root", ""} {
		if _, err := access.ParseRoles([]string{name}); fault.ReasonOf(err) != "role_unknown" {
			t.Errorf("role %q: %v, want role_unknown", name, err)
		}
	}
}
