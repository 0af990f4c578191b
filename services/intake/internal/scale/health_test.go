package scale

import (
	"testing"
	"time"
)

func TestSilent(t *testing.T) {
	t.Parallel()
	chicago, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	// Monday, 3 November 2025: the clocks went back the day before.
	at := func(hour, minute int) time.Time { return time.Date(2025, 11, 3, hour, minute, 0, 0, chicago) }
	weekdays := []Hours{{time.Monday, 6 * time.Hour, 12 * time.Hour}, {time.Monday, 13 * time.Hour, 18 * time.Hour}}
	for _, tc := range []struct {
		name   string
		heard  time.Time
		now    time.Time
		change func(*Scale)
		since  time.Time
		silent bool
	}{
		{"heard just now", at(9, 50), at(10, 0), nil, at(9, 50), false},
		{"at the limit", at(9, 30), at(10, 0), nil, at(9, 30), false},
		{"past the limit", at(9, 29), at(10, 0), nil, at(9, 29), true},
		{"the night is no silence", at(5, 0).AddDate(0, 0, -1), at(6, 20), nil, at(6, 0), false},
		{"not heard since it opened", at(5, 0).AddDate(0, 0, -1), at(6, 31), nil, at(6, 0), true},
		{"never heard", time.Time{}, at(6, 31), nil, at(6, 0), true},
		{"noon", at(9, 0), at(12, 30), nil, time.Time{}, false},
		{"after hours", at(9, 0), at(18, 0), nil, time.Time{}, false},
		{"another day", at(9, 0), at(10, 0).AddDate(0, 0, 1), nil, time.Time{}, false},
		{"the zone counts", at(9, 0), at(10, 0), func(s *Scale) { s.Zone = "Asia/Tokyo" }, time.Time{}, false},
		{"no limit", at(9, 0), at(10, 0), func(s *Scale) { s.Silence = 0 }, time.Time{}, false},
		{"no hours", at(9, 0), at(10, 0), func(s *Scale) { s.Hours = nil }, time.Time{}, false},
		{"out of service", at(9, 0), at(10, 0), func(s *Scale) { s.InService = false }, time.Time{}, false},
	} {
		s := State{Scale: Scale{InService: true, Hours: weekdays, Zone: "America/Chicago", Silence: 30 * time.Minute}, Health: Health{Heard: tc.heard}}
		if tc.change != nil {
			tc.change(&s.Scale)
		}
		if since, silent := s.Silent(tc.now.UTC()); silent != tc.silent || !since.Equal(tc.since) {
			t.Errorf("%s: silent %v since %s, want %v since %s", tc.name, silent, since, tc.silent, tc.since)
		}
	}
}

func TestRate(t *testing.T) {
	t.Parallel()
	hour := time.Date(2025, 11, 3, 10, 0, 0, 0, time.UTC)
	s := State{Health: Health{Hour: hour, InHour: 90, HourBefore: 60, Highest: 12}, Stored: 10}
	for _, tc := range []struct {
		after time.Duration
		want  int64
	}{{0, 150}, {30 * time.Minute, 120}, {45 * time.Minute, 105}, {time.Hour, 90}, {80 * time.Minute, 60}, {2 * time.Hour, 0}, {-time.Hour, 0}} {
		if got := s.Rate(hour.Add(tc.after)); got != tc.want {
			t.Errorf("%s after the hour: %d, want %d", tc.after, got, tc.want)
		}
	}
	if s.Missing() != 2 {
		t.Errorf("missing %d, want 2", s.Missing())
	}
}
