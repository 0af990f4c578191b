package scales

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/intake/internal/check"
	"huskline/services/intake/internal/scale"
	"huskline/services/intake/internal/weighing"
)

// Scale finds a scale and locks it until the end of the transaction; nil where there is none.
func (t *Part) Scale(ctx context.Context, code string) (*scale.Scale, error) {
	const lock = `select scale_id from scales where scale = $1 for update`
	switch err := t.tx.QueryRow(ctx, lock, code).Scan(new(int32)); {
	case errors.Is(err, pgx.ErrNoRows):
		return nil, nil
	case err != nil:
		return nil, fmt.Errorf("lock scale %s: %w", code, err)
	}
	found, err := t.Find(ctx, []string{code})
	if err != nil {
		return nil, err
	}
	s := found[code].Scale
	return &s, nil
}

// Around looks at the checks of a scale from a time.
func (t *Part) Around(ctx context.Context, code string, at time.Time) (a check.Around, err error) {
	const find = `select (select max(effective) from scale_checks where scale_id = s.scale_id and passed and effective <= $2),
			(select min(effective) from scale_checks where scale_id = s.scale_id and passed and effective > $2),
			(select effective from scale_checks where check_id = s.failed_check)
		from scales s where s.scale = $1`
	var last, next, failed *time.Time
	if err := t.tx.QueryRow(ctx, find, code, at).Scan(&last, &next, &failed); err != nil {
		return a, fmt.Errorf("look at the checks of scale %s: %w", code, err)
	}
	return check.Around{LastGood: given(last), NextGood: given(next), Failed: given(failed)}, nil
}

// SaveCheck writes a check down.
func (t *Part) SaveCheck(ctx context.Context, j check.Judged) (check.Judged, error) {
	const save = `insert into scale_checks (check_id, scale_id, kind, unit, applied, indicated, errors, tolerances, divisions, passes, passed, short,
			effective, recorded, by_whom, actor, weights)
		select $1, scale_id, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17 from scales where scale = $2 returning number`
	n := len(j.Results)
	applied, indicated, off, tolerances, divisions := make([]string, n), make([]string, n), make([]string, n), make([]string, n), make([]string, n)
	passes := make([]bool, n)
	for i, r := range j.Results {
		applied[i], indicated[i], off[i], tolerances[i], divisions[i], passes[i] = r.Applied, r.Indicated, r.Error, r.Tolerance, r.Divisions, r.Passed
	}
	j.Recorded = t.at
	err := t.tx.QueryRow(ctx, save, j.ID, j.Scale, int16(j.Kind), j.Unit, applied, indicated, off, tolerances, divisions, passes, j.Passed, j.Short,
		j.At, t.at, j.By, j.Actor, j.Weights).Scan(&j.Number)
	if err != nil {
		return j, fmt.Errorf("record check %s of scale %s: %w", j.ID, j.Scale, err)
	}
	return j, nil
}

// changeScale adds a version of a scale that differs in service alone.
const changeScale = `insert into scale_versions (scale_id, version, class, capacity, division, place, in_service, sealed, recorded, unit, range_tops,
		range_divisions, minimum, hour_days, hour_opens, hour_closes, zone, silence, failed_check)
	select scale_id, version, class, capacity, division, place, in_service, sealed, $2, unit, range_tops, range_divisions, minimum, hour_days, hour_opens,
		hour_closes, zone, silence, failed_check from scales where scale = $1`

// Fail takes a scale out of service from a time on, by a check. One that is out already stays out for its own reason too.
func (t *Part) Fail(ctx context.Context, code, checkID string, at time.Time) error {
	b := &pgx.Batch{}
	b.Queue(`update scales set version = version + 1, failed_check = $2, out_by_check = in_service, in_service = false,
		out_since = case when in_service then $3::timestamptz else out_since end where scale = $1`, code, checkID, at)
	b.Queue(changeScale, code, t.at)
	return t.send(ctx, "take scale "+code+" out of service", b)
}

// Clear ends what a failed check did.
func (t *Part) Clear(ctx context.Context, code string) error {
	b := &pgx.Batch{}
	b.Queue(`update scales set version = version + 1, failed_check = '', in_service = in_service or out_by_check, out_by_check = false,
		out_since = case when out_by_check then null else out_since end where scale = $1`, code)
	b.Queue(changeScale, code, t.at)
	return t.send(ctx, "put scale "+code+" in service", b)
}

// inDoubt are the readings of a scale ($1, its number) weighed after one time ($2, null: ever) and up to another ($3, null: ever since), by their own
// time or, where that is doubtful ($4 is the mark), by when they came.
const inDoubt = `select r.sequence from readings r left join reading_notes n on n.scale_id = r.scale_id and n.sequence = r.sequence and n.hash = r.hash
	where r.scale_id = $1
		and case when coalesce(n.marks, 0) & $4 <> 0 then r.recorded else r.time end > coalesce($2::timestamptz, '-infinity')
		and case when coalesce(n.marks, 0) & $4 <> 0 then r.recorded else r.time end <= coalesce($3::timestamptz, 'infinity')`

// weighedInDoubt are the received lots that stand with a weighing on a scale ($1, its code) after one time ($2) and up to another ($3); a weighing
// without a time goes by its reading's, else by the delivery's.
const weighedInDoubt = `select distinct d.lot, d.version from received d
		join received_versions v on v.lot = d.lot and v.version = d.version and not v.voided
		join received_weighings w on w.lot = d.lot and w.version = d.version and w.scale = $1
		left join scales s on s.scale = w.scale left join readings r on r.scale_id = s.scale_id and r.sequence = w.sequence
	where coalesce(w.time, r.time, d.effective) > coalesce($2::timestamptz, '-infinity')
		and coalesce(w.time, r.time, d.effective) <= coalesce($3::timestamptz, 'infinity')`

// markDoubtful is the mark of a reading whose time is doubtful.
const markDoubtful = int32(weighing.MarkTimeDoubtful)

// The stages at which a proposal's deliveries are written down.
const (
	whenRaised  = 1
	whenDecided = 2
)

// Raise writes a proposal down with the deliveries that it names, and counts what it names. A reading on its way in is not counted; the lists are read
// anew each time and have it.
func (t *Part) Raise(ctx context.Context, p check.Proposal) (check.Proposal, error) {
	var id int32
	if err := t.tx.QueryRow(ctx, `select scale_id from scales where scale = $1`, p.Scale).Scan(&id); err != nil {
		return p, fmt.Errorf("find scale %s: %w", p.Scale, err)
	}
	const count = `select count(*) from (` + inDoubt + `) r`
	if err := t.tx.QueryRow(ctx, count, id, maybe(p.Since), maybe(p.Until), markDoubtful).Scan(&p.Readings); err != nil {
		return p, fmt.Errorf("count readings of scale %s in doubt: %w", p.Scale, err)
	}
	const name = `insert into proposal_deliveries (proposal, stage, lot, version) select $4, $5, d.lot, d.version from (` + weighedInDoubt + `) d`
	tag, err := t.tx.Exec(ctx, name, p.Scale, maybe(p.Since), maybe(p.Until), p.ID, whenRaised)
	if err != nil {
		return p, fmt.Errorf("name deliveries of scale %s in doubt: %w", p.Scale, err)
	}
	p.Deliveries = tag.RowsAffected()
	const save = `insert into correction_proposals (proposal, scale_id, since, until, failed, readings, deliveries, recorded)
		values ($1, $2, $3, $4, $5, $6, $7, $8) returning number`
	err = t.tx.QueryRow(ctx, save, p.ID, id, maybe(p.Since), maybe(p.Until), p.Failed, p.Readings, p.Deliveries, t.at).Scan(&p.Number)
	if err != nil {
		return p, fmt.Errorf("raise proposal %s: %w", p.ID, err)
	}
	return p, nil
}

// Decide writes a decision down with the deliveries that it is about; a second decision is refused.
func (t *Part) Decide(ctx context.Context, d check.Decision) (check.Proposal, error) {
	const decide = `insert into correction_decisions (proposal, approve, by_whom, reason, recorded) values ($1, $2, $3, $4, $5) on conflict do nothing`
	p, err := t.proposal(ctx, d.Proposal)
	if err != nil {
		return p, err
	}
	tag, err := t.tx.Exec(ctx, decide, d.Proposal, d.Approve, d.By, d.Reason, t.at)
	if err != nil {
		return p, fmt.Errorf("decide proposal %s: %w", d.Proposal, err)
	}
	if tag.RowsAffected() == 0 {
		return p, fault.Precondition("proposal_decided", "proposal %s: it is decided already", d.Proposal)
	}
	const name = `insert into proposal_deliveries (proposal, stage, lot, version) select $4, $5, d.lot, d.version from (` + weighedInDoubt + `) d`
	if _, err := t.tx.Exec(ctx, name, p.Scale, maybe(p.Since), maybe(p.Until), p.ID, whenDecided); err != nil {
		return p, fmt.Errorf("decide proposal %s: %w", d.Proposal, err)
	}
	return t.proposal(ctx, d.Proposal)
}

// columnsOfProposal are what readProposal reads; p is the proposal, s its scale, d the decision. A good check that came later ends what is in doubt.
const columnsOfProposal = `p.proposal, s.scale, p.since,
	coalesce(p.until, (select min(effective) from scale_checks c where c.scale_id = p.scale_id and c.passed and c.effective > p.failed)),
	p.failed, p.readings, p.deliveries, p.number, d.approve, coalesce(d.by_whom, ''), d.recorded, coalesce(d.reason, '')`

func readProposal(row pgx.CollectableRow) (p check.Proposal, err error) {
	var since, until, decided *time.Time
	var approve *bool
	err = row.Scan(&p.ID, &p.Scale, &since, &until, &p.Failed, &p.Readings, &p.Deliveries, &p.Number, &approve, &p.DecidedBy, &decided, &p.Reason)
	p.Since, p.Until, p.Failed, p.Decided, p.State = given(since), given(until), p.Failed.UTC(), given(decided), check.Open
	switch {
	case approve == nil:
	case *approve:
		p.State = check.Approved
	default:
		p.State = check.Rejected
	}
	return p, err
}

func (t *Part) proposal(ctx context.Context, id string) (check.Proposal, error) {
	const find = `select ` + columnsOfProposal + ` from correction_proposals p join scales s using (scale_id)
		left join correction_decisions d using (proposal) where p.proposal = $1`
	rows, err := t.tx.Query(ctx, find, id)
	if err != nil {
		return check.Proposal{}, fmt.Errorf("find proposal %s: %w", id, err)
	}
	p, err := pgx.CollectExactlyOneRow(rows, readProposal)
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return p, fault.NotFound("proposal_unknown", "proposal %s: there is none", id)
	case err != nil:
		return p, fmt.Errorf("find proposal %s: %w", id, err)
	}
	return p, nil
}

// Proposals lists proposals, the last raised first, before one (0: from the newest), at most limit.
func (t *Part) Proposals(ctx context.Context, openOnly bool, before int64, limit int) ([]check.Proposal, error) {
	const list = `select ` + columnsOfProposal + ` from correction_proposals p join scales s using (scale_id)
		left join correction_decisions d using (proposal) where ($1 = 0 or p.number < $1) and not ($2 and d.proposal is not null)
		order by p.number desc limit $3`
	rows, err := t.tx.Query(ctx, list, before, openOnly, limit)
	if err != nil {
		return nil, fmt.Errorf("list proposals: %w", err)
	}
	return pgx.CollectRows(rows, readProposal)
}

// ProposalDeliveries lists what a proposal names by lot code after one, at most limit: of now while it is open, then what was decided on.
func (t *Part) ProposalDeliveries(ctx context.Context, id, after string, limit int) ([]check.Delivery, error) {
	p, err := t.proposal(ctx, id)
	if err != nil {
		return nil, err
	}
	const live = `select d.lot, d.version, not exists (select from proposal_deliveries n where n.proposal = $4 and n.stage = 1 and n.lot = d.lot)
		from (` + weighedInDoubt + `) d where d.lot > $5 order by d.lot limit $6`
	const kept = `select d.lot, d.version, not exists (select from proposal_deliveries n where n.proposal = $1 and n.stage = 1 and n.lot = d.lot)
		from proposal_deliveries d where d.proposal = $1 and d.stage = 2 and d.lot > $2 order by d.lot limit $3`
	query, args := live, []any{p.Scale, maybe(p.Since), maybe(p.Until), id, after, limit}
	if p.State != check.Open {
		query, args = kept, []any{id, after, limit}
	}
	rows, err := t.tx.Query(ctx, query, args...)
	if err != nil {
		return nil, fmt.Errorf("list deliveries of proposal %s: %w", id, err)
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (d check.Delivery, err error) {
		err = row.Scan(&d.Lot, &d.Version, &d.Later)
		return d, err
	})
}

// ProposalReadings lists the readings that a proposal names as ranges without gap after a number, at most limit.
func (t *Part) ProposalReadings(ctx context.Context, id string, after int64, limit int) ([]lot.SequenceRange, error) {
	p, err := t.proposal(ctx, id)
	if err != nil {
		return nil, err
	}
	const list = `select min(sequence), max(sequence) from (
			select sequence, sequence - row_number() over (order by sequence) as island from (` + inDoubt + ` and r.sequence > $5) r) i
		group by island order by 1 limit $6`
	var scaleID int32
	if err := t.tx.QueryRow(ctx, `select scale_id from scales where scale = $1`, p.Scale).Scan(&scaleID); err != nil {
		return nil, fmt.Errorf("find scale %s: %w", p.Scale, err)
	}
	rows, err := t.tx.Query(ctx, list, scaleID, maybe(p.Since), maybe(p.Until), markDoubtful, after, limit)
	if err != nil {
		return nil, fmt.Errorf("list readings of proposal %s: %w", id, err)
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (r lot.SequenceRange, err error) {
		err = row.Scan(&r.First, &r.Last)
		return r, err
	})
}

// Checks lists checks, the last recorded first, only of a scale where one is given, before one (0: from the newest), at most limit.
func (t *Part) Checks(ctx context.Context, code string, before int64, limit int) ([]check.Judged, error) {
	const list = `select c.number, c.check_id, s.scale, c.kind, c.unit, c.applied, c.indicated, c.errors, c.tolerances, c.divisions, c.passes, c.passed, c.short,
			c.effective, c.recorded, c.by_whom, c.actor, c.weights
		from scale_checks c join scales s using (scale_id) where ($1 = '' or s.scale = $1) and ($2 = 0 or c.number < $2) order by c.number desc limit $3`
	rows, err := t.tx.Query(ctx, list, code, before, limit)
	if err != nil {
		return nil, fmt.Errorf("list checks: %w", err)
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (j check.Judged, err error) {
		var kind int16
		var applied, indicated, off, tolerances, divisions []string
		var passes []bool
		err = row.Scan(&j.Number, &j.ID, &j.Scale, &kind, &j.Unit, &applied, &indicated, &off, &tolerances, &divisions, &passes, &j.Passed, &j.Short,
			&j.At, &j.Recorded, &j.By, &j.Actor, &j.Weights)
		j.Kind, j.At, j.Recorded = check.Kind(kind), j.At.UTC(), j.Recorded.UTC()
		for i := range applied {
			j.Results = append(j.Results, check.Result{
				Load: check.Load{Applied: applied[i], Indicated: indicated[i]}, Error: off[i], Tolerance: tolerances[i], Divisions: divisions[i], Passed: passes[i],
			})
		}
		return j, err
	})
}
