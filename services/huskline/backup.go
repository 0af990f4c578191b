package main

import (
	"fmt"
	"path/filepath"
	"time"

	"huskline/internal/fault"
	"huskline/services/huskline/internal/backup"
)

type backupCmd struct {
	Target string        `arg:"" help:"Folder of the backup: empty, or not there, or with a backup of this plant, which is brought up to date." type:"path"`
	Follow bool          `help:"Go on bringing it up to date until ctrl-C."`
	Every  time.Duration `help:"How often, with --follow: ${default}, at least 5s. Each time adds up to 16 MiB." default:"1m" placeholder:"TIME"`
}

// leastEvery keeps --follow from filling the disk: each time ends a segment of the log, up to 16 MiB.
const leastEvery = 5 * time.Second

// backupObject is a backup as programs read it.
type backupObject struct {
	From  string `json:"from"` // any moment from here
	To    string `json:"to"`   // to here can be restored
	Bytes int64  `json:"bytes"`
	First bool   `json:"first_copy"`
}

// Run copies the databases of the plant that runs on the data folder, or brings a copy up to date.
func (c *backupCmd) Run(s *session) error {
	if s.cli.Data == "" {
		return usageError{fmt.Errorf("backup: --data DIR names the data folder of the running plant")}
	}
	if c.Follow && c.Every < leastEvery {
		return usageError{fmt.Errorf("--every %v: at least %v, since each time adds to the backup", c.Every, leastEvery)}
	}
	if within, err := filepath.Rel(s.cli.Data, c.Target); err == nil && filepath.IsLocal(within) {
		return usageError{fmt.Errorf("backup %s: it would lie inside the folder that it is a backup of", c.Target)}
	}
	report, err := backup.Take(s.ctx, s.cli.Data, c.Target)
	if err != nil {
		return err
	}
	if err := s.printBackup(report); err != nil {
		return err
	}
	for c.Follow && s.ctx.Err() == nil {
		select {
		case <-s.ctx.Done():
			return nil
		case <-time.After(c.Every):
		}
		_, err := backup.Take(s.ctx, s.cli.Data, c.Target)
		switch {
		case s.ctx.Err() != nil:
			return nil // what was there before stays whole
		case fault.KindOf(err) == fault.KindUnavailable:
			fmt.Fprintf(s.errout, "huskline: %v; trying again\n", err)
		case err != nil:
			return err
		}
	}
	return nil
}

func (s *session) printBackup(r backup.Report) error {
	o := backupObject{momentText(r.Begin), momentText(r.End), r.Bytes, r.Fresh}
	what := "brought up to date"
	if r.Fresh {
		what = "first copy"
	}
	return s.print(answer{object: o, sheets: []sheet{{
		title: "BACKUP: any moment between the two can be restored", columns: []string{"what", "from", "to", "bytes"}, numeric: numericColumns("bytes"),
		rows: [][]string{{what, o.From, o.To, itoa(o.Bytes)}},
	}}})
}

type restoreCmd struct {
	Source string `arg:"" help:"Folder of the backup." type:"path"`
	At     string `help:"The moment, RFC 3339 with a zone: all that was committed by then is there, and nothing later. Without it the latest there is." placeholder:"TIME"`
}

// Run makes a data folder of a backup, as the plant stood at a moment.
func (c *restoreCmd) Run(s *session) error {
	if s.cli.Data == "" {
		return usageError{fmt.Errorf("restore: --data DIR names the data folder to be made: empty, or not there")}
	}
	cfg := backup.RestoreConfig{Source: c.Source, Data: s.cli.Data}
	if c.At != "" {
		var err error
		if cfg.At, err = time.Parse(time.RFC3339Nano, c.At); err != nil {
			return usageError{fmt.Errorf("--at %q: a moment reads 2025-06-30T14:05:00.25Z, or with another zone", c.At)}
		}
	}
	at, err := backup.Restore(s.ctx, cfg)
	if err != nil {
		return err
	}
	type restored struct {
		At string `json:"at"`
	}
	return s.print(answer{object: restored{momentText(at)}, sheets: []sheet{{
		title: "RESTORED: start it with huskline up --data " + s.cli.Data, columns: []string{"as it stood at"}, rows: [][]string{{momentText(at)}},
	}}})
}

func momentText(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }
