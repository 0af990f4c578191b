package main

import (
	"context"
	"crypto/sha256"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/pgserver"
	intakev1 "huskline/proto/huskline/intake/v1"
)

const (
	streams     = 2     // writers side by side, each a stream of its own with scales of its own
	batch       = 5_000 // readings of a message of the stream
	window      = 3     // messages of a stream that wait for their answer
	loaderBatch = 2_000 // rows of a statement of the loader
	singleScale = "S-63"
	inFlight    = 32 // unary calls side by side
)

// measureFeed compares the stream with the bare loader and with one call and one commit for each reading. The three take turns.
func measureFeed(p *plant, s sizes, f *figures) {
	load := newLoader(p)
	var stream, loader, single, vsLoader, vsSingle []float64
	for run := range s.runs {
		messages := p.messages(s.readings)
		stream = append(stream, p.stream(messages))
		loader = append(loader, load.run(messages))
		single = append(single, p.single(s.singles))
		vsLoader = append(vsLoader, stream[run]/loader[run])
		vsSingle = append(vsSingle, stream[run]/single[run])
	}
	f.StreamPerSecond, f.LoaderPerSecond, f.SinglePerSecond = median(stream), median(loader), median(single)
	f.StreamVsLoader, f.StreamVsSingle = median(vsLoader), median(vsSingle)
}

// messages are the batches of a run for each stream, made before the clock runs. Every stream has four scales of its own, whose numbers go on.
func (p *plant) messages(readings int) [][]*intakev1.StreamReadingsRequest {
	out := make([][]*intakev1.StreamReadingsRequest, streams)
	at := time.Now().Add(-time.Hour)
	for w := range out {
		for left := readings / streams; left > 0; left -= batch {
			m := &intakev1.StreamReadingsRequest{CommandId: uuid.NewString()}
			for i := range min(batch, left) {
				m.Readings = append(m.Readings, p.reading(fmt.Sprintf("S-%d", w*4+i%4), at.Add(time.Duration(left+i)*time.Millisecond)))
			}
			out[w] = append(out[w], m)
		}
	}
	return out
}

func (p *plant) reading(scale string, at time.Time) *intakev1.Reading {
	p.sequences[scale]++
	n := p.sequences[scale]
	return &intakev1.Reading{
		Scale: scale, Sequence: n, Time: timestamppb.New(at), Digits: fmt.Sprint(20_000 + n%1500*20), Unit: "LBR",
		Kind: intakev1.ReadingKind_READING_KIND_GROSS, Reference: fmt.Sprintf("ticket %d", n),
	}
}

// stream sends the messages on one stream for each writer and returns readings answered stored for each second.
func (p *plant) stream(messages [][]*intakev1.StreamReadingsRequest) float64 {
	var wg sync.WaitGroup
	var stored atomic.Int64
	errs := make([]error, len(messages))
	started := time.Now()
	for w := range messages {
		wg.Go(func() { errs[w] = p.send(messages[w], &stored) })
	}
	wg.Wait()
	took := time.Since(started)
	want := 0
	for w := range messages {
		p.must(errs[w])
		for _, m := range messages[w] {
			want += len(m.GetReadings())
		}
	}
	if int(stored.Load()) != want {
		p.Fatalf("the stream answered %d readings stored, %d were sent", stored.Load(), want)
	}
	return float64(want) / took.Seconds()
}

func (p *plant) send(messages []*intakev1.StreamReadingsRequest, stored *atomic.Int64) error {
	ctx, cancel := context.WithCancel(p.ctx)
	defer cancel()
	stream, err := p.device.StreamReadings(ctx)
	if err != nil {
		return err
	}
	take := func() error {
		answer, err := stream.Recv()
		if err != nil {
			return err
		}
		if len(answer.GetExceptions()) > 0 || answer.GetBatchReason() != "" {
			return fmt.Errorf("a batch was answered %v %s", answer.GetExceptions(), answer.GetBatchMessage())
		}
		stored.Add(answer.GetStored())
		return nil
	}
	for i, m := range messages {
		if i >= window {
			if err := take(); err != nil {
				return err
			}
		}
		if err := stream.Send(m); err != nil {
			return err
		}
	}
	for range min(window, len(messages)) {
		if err := take(); err != nil {
			return err
		}
	}
	return stream.CloseSend()
}

// single posts readings one by one, each a call and a commit, and returns readings for each second.
func (p *plant) single(n int) float64 {
	at := time.Now().Add(-time.Hour)
	requests := make([]*intakev1.PostReadingsRequest, n)
	for i := range requests {
		requests[i] = &intakev1.PostReadingsRequest{CommandId: uuid.NewString(), Readings: []*intakev1.Reading{p.reading(singleScale, at)}}
	}
	return p.rate(n, inFlight, func(i int) error {
		_, err := p.device.PostReadings(p.ctx, requests[i])
		return err
	})
}

// rate does n things with so many side by side and returns how many there were a second.
func (p *plant) rate(n, side int, do func(i int) error) float64 {
	var wg sync.WaitGroup
	var next atomic.Int64
	errs := make([]error, side)
	started := time.Now()
	for w := range side {
		wg.Go(func() {
			for i := int(next.Add(1)) - 1; i < n && errs[w] == nil; i = int(next.Add(1)) - 1 {
				errs[w] = do(i)
			}
		})
	}
	wg.Wait()
	took := time.Since(started)
	for _, err := range errs {
		p.must(err)
	}
	return float64(n) / took.Seconds()
}

// loader is the bare alternative: one connection that puts the same rows under the same keys into a table of the same columns, without readings'
// hashes worked out, events, links, answers or watermarks.
type loader struct {
	*plant
	conn *pgx.Conn
}

func newLoader(p *plant) *loader {
	conn, err := pgx.Connect(p.ctx, p.three.Postgres.DSN("postgres", pgserver.Superuser))
	p.must(err)
	p.Cleanup(func() { _ = conn.Close(context.Background()) })
	_, err = conn.Exec(p.ctx, `
		create table bare (
			sequence bigint not null, time timestamptz not null, micropounds bigint not null, recorded timestamptz not null, hash uuid not null,
			scale_id integer not null, kind smallint not null, historic boolean not null, unit text not null, digits text not null, reference text not null,
			constraint bare_pk primary key (scale_id, sequence)
		)`)
	p.must(err)
	return &loader{p, conn}
}

// rows are columns of a statement.
type rows struct {
	scales    []int32
	sequences []int64
	times     []time.Time
	weights   []int64
	hashes    []pgtype.UUID
	kinds     []int16
	units     []string
	digits    []string
	refs      []string
}

func (r *rows) add(m *intakev1.Reading, scale int32, weight int64) {
	r.scales, r.sequences, r.times = append(r.scales, scale), append(r.sequences, m.GetSequence()), append(r.times, m.GetTime().AsTime())
	r.weights, r.kinds = append(r.weights, weight), append(r.kinds, int16(m.GetKind()))
	r.units, r.digits, r.refs = append(r.units, m.GetUnit()), append(r.digits, m.GetDigits()), append(r.refs, m.GetReference())
	sum := sha256.Sum256(fmt.Appendf(nil, "%d/%d", scale, m.GetSequence()))
	r.hashes = append(r.hashes, pgtype.UUID{Bytes: [16]byte(sum[:16]), Valid: true})
}

// run loads the readings of the messages and returns rows for each second; the columns are made before the clock runs.
func (l *loader) run(messages [][]*intakev1.StreamReadingsRequest) float64 {
	var all []*rows
	n := 0
	for _, writer := range messages {
		for _, m := range writer {
			for _, r := range m.GetReadings() {
				if n%loaderBatch == 0 {
					all = append(all, &rows{})
				}
				n++
				var scale int32
				var pounds int64
				_, err := fmt.Sscanf(r.GetScale(), "S-%d", &scale)
				l.must(err)
				_, err = fmt.Sscan(r.GetDigits(), &pounds)
				l.must(err)
				all[len(all)-1].add(r, scale, pounds*pound)
			}
		}
	}
	started := time.Now()
	for _, r := range all {
		_, err := l.conn.Exec(l.ctx, `
			insert into bare (scale_id, sequence, time, micropounds, hash, kind, unit, digits, reference, historic, recorded)
			select u.*, false, now() from unnest($1::integer[], $2::bigint[], $3::timestamptz[], $4::bigint[], $5::uuid[], $6::smallint[], $7::text[],
				$8::text[], $9::text[]) as u on conflict do nothing`,
			r.scales, r.sequences, r.times, r.weights, r.hashes, r.kinds, r.units, r.digits, r.refs)
		l.must(err)
	}
	return float64(n) / time.Since(started).Seconds()
}
