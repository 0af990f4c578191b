package checker

import (
	"bytes"
	"context"
	"encoding/hex"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"huskline/internal/snapshot"
	eventv1 "huskline/proto/huskline/event/v1"
)

// commandRows are the accepted commands of a service by id.
func (s *state) commandRows(service string) map[string]snapshot.Row {
	out := map[string]snapshot.Row{}
	for _, r := range s.table(service, "commands") {
		out[r.Text("command_id")] = r
	}
	return out
}

// takenBack tells whether events of a command that a restore had lost came back; then its own row may be gone.
func (s *state) takenBack(service, commandID string) bool {
	t := trace(service, commandID, 0)
	for _, r := range s.table(service, "taken_back") {
		if tail(r.Text("event_id")) == t {
			return true
		}
	}
	return false
}

// rose tells whether a service was restored to an earlier moment. A command of its lost part that said no event itself lives on in its movement: the
// inventory tells of that, and the same command again finds it.
func (s *state) rose(service string) bool { return len(s.table(service, "epochs_ended")) > 0 }

// answersKept looks for each command of the journal, and for what its receipt names.
func answersKept(_ context.Context, s *state, f *Finding) {
	if s.plant.Journal == nil {
		f.leaves("no journal of answers was given")
		return
	}
	rows := map[string]map[string]snapshot.Row{}
	for _, name := range services() {
		rows[name] = s.commandRows(name)
	}
	moved := map[string]bool{}
	for _, r := range s.table("inventory", "movement_tries") {
		moved[r.Text("command_id")] = moved[r.Text("command_id")] || r.Bool("accepted")
	}
	for _, a := range s.plant.Journal {
		f.Checked++
		row, ok := rows[a.Service][a.CommandID]
		switch {
		case !ok && (s.takenBack(a.Service, a.CommandID) || moved[movementID(a.CommandID, a.Service)] && s.rose(a.Service)):
		case !ok:
			f.broken(a.Service, "commands(command_id="+a.CommandID+")", "%s was answered OK and is gone", a.Method)
		default:
			s.answerKept(a, row, f)
		}
		if at := receiptPlace(a.Receipt); s.head(a.Service).before(at) {
			f.broken(a.Service, "commands(command_id="+a.CommandID+")", "it was answered with %s, the head is %s", at, s.head(a.Service))
		}
	}
}

func receiptPlace(r *eventv1.Receipt) place {
	return place{r.GetProducer(), r.GetEpoch(), r.GetPosition()}
}

func (s *state) answerKept(a Answered, row snapshot.Row, f *Finding) {
	if a.Digest != nil && !bytes.Equal(a.Digest, row.Bytes("digest")) {
		f.broken(a.Service, row.ID(), "another message stands under this id: its digest is %x, that of what was answered %x", row.Bytes("digest"), a.Digest)
	}
	at := place{a.Service, row.Int("epoch"), row.Int("position")}
	again := s.rose(a.Service) && at.epoch > receiptPlace(a.Receipt).epoch // sent again after its service had lost the first answer
	if a.Receipt != nil && receiptPlace(a.Receipt) != at && !again {
		f.broken(a.Service, row.ID(), "it was answered with receipt %s and kept with %s", receiptPlace(a.Receipt), at)
	}
	if a.Answer == nil {
		return
	}
	want := withoutReceipt(a.Answer)
	got, err := answerOf(row)
	if err != nil || !proto.Equal(want, withoutReceipt(got)) {
		f.broken(a.Service, row.ID(), "it was answered %v, kept is %v (%v)", want, got, err)
	}
}

func answerOf(row snapshot.Row) (proto.Message, error) {
	t, err := protoregistry.GlobalTypes.FindMessageByName(protoreflect.FullName(row.Text("answer_type")))
	if err != nil {
		return nil, err
	}
	m := t.New().Interface()
	return m, proto.Unmarshal(row.Bytes("answer"), m)
}

func withoutReceipt(m proto.Message) proto.Message {
	if m == nil {
		return nil
	}
	m = proto.Clone(m)
	if f := m.ProtoReflect().Descriptor().Fields().ByName("receipt"); f != nil {
		m.ProtoReflect().Clear(f)
	}
	return m
}

// oneEffect looks at each command: in the journal one message and one answer, in the databases one movement.
func oneEffect(_ context.Context, s *state, f *Finding) {
	first := map[string]Answered{}
	for _, a := range s.plant.Journal {
		f.Checked++
		key := a.Service + a.CommandID
		b, again := first[key]
		if !again {
			first[key] = a
			continue
		}
		if !bytes.Equal(a.Digest, b.Digest) || a.Answer != nil && b.Answer != nil && !proto.Equal(a.Answer, b.Answer) {
			f.broken(a.Service, "commands(command_id="+a.CommandID+")", "two answers were given: %v (digest %s) and %v (digest %s)", b.Answer,
				hex.EncodeToString(b.Digest), a.Answer, hex.EncodeToString(a.Digest))
		}
	}
	s.oneEvent(f)
	s.oneMovement(f)
	sortViolations(f)
}

// oneEvent: no two events of a service, but for what came again after a restore, are of the same command and number.
func (s *state) oneEvent(f *Finding) {
	for _, name := range services() {
		seen := map[string]string{}
		for _, x := range s.once(name) {
			f.Checked++
			if other, ok := seen[tail(x.id)]; ok {
				f.broken(name, x.row.ID(), "events %s and %s are the same one of the same command", other, x.id)
			}
			seen[tail(x.id)] = x.id
		}
	}
}

// oneMovement: inventory accepted one try at most of what a service asked for, and that service knows of no other end.
func (s *state) oneMovement(f *Finding) {
	accepted := map[string]int{}
	for _, r := range s.table("inventory", "movement_tries") {
		f.Checked++
		if r.Bool("accepted") {
			if accepted[r.Text("command_id")]++; accepted[r.Text("command_id")] == 2 {
				f.broken("inventory", r.ID(), "two tries of one command were accepted")
			}
		}
	}
	if !s.atRest {
		f.partly("intents were not held against movements: the plant was not at rest")
		return
	}
	for _, name := range []string{"intake", "production"} {
		for _, r := range s.table(name, "intent_ends") {
			f.Checked++
			id := movementID(r.Text("command_id"), name)
			if r.Text("reason") == "" && accepted[id] == 0 && !s.takenBack("inventory", id) {
				f.broken(name, r.ID(), "the inventory is said to have accepted it, and did not")
			}
		}
	}
}

// movementID is the id under which a service asks the inventory for what one of its commands moves.
func movementID(commandID, service string) string {
	id, err := uuid.Parse(commandID)
	if err != nil {
		return ""
	}
	return uuid.NewSHA1(id, []byte(service)).String()
}
