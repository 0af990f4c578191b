package main

import (
	"bytes"
	"fmt"
	"os"
	"strconv"
	"time"
)

const (
	lookEvery = 20 * time.Millisecond
	stretch   = 100_000 // readings of a stretch in which the memory is looked at; a collector makes it rise and fall many times in one
)

// measureMemory compares the resident memory of intake around the first so many readings with that around the last: the median of many looks
// while a stretch of readings comes in. It is to be done before anything else has used the memory.
func measureMemory(p *plant, s sizes, f *figures) {
	p.fill(s.small - stretch/2)
	f.MemorySmallBytes = p.look()
	p.fill(s.large - s.small - stretch)
	f.MemoryLargeBytes = p.look()
	f.MemoryFlat = 1 - float64(f.MemoryLargeBytes-f.MemorySmallBytes)/float64(f.MemorySmallBytes)
}

func (p *plant) fill(readings int) {
	for readings > 0 {
		n := min(readings, stretch)
		p.stream(p.messages(n))
		readings -= n
	}
}

// look streams a stretch of readings and returns the median of what intake held meanwhile.
func (p *plant) look() int64 {
	messages := p.messages(stretch)
	done := make(chan struct{})
	seen := make(chan []float64)
	go func() {
		var looks []float64
		for tick := time.NewTicker(lookEvery); ; {
			select {
			case <-tick.C:
				looks = append(looks, float64(p.resident()))
			case <-done:
				tick.Stop()
				seen <- append(looks, float64(p.resident()))
				return
			}
		}
	}()
	p.stream(messages)
	close(done)
	return int64(median(<-seen))
}

// resident is the memory that the intake process holds, in bytes, as the kernel's status file says it.
func (p *plant) resident() int64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", p.three.Service("intake").PID()))
	p.must(err)
	for line := range bytes.Lines(text) {
		if rest, ok := bytes.CutPrefix(line, []byte("VmRSS:")); ok {
			kib, err := strconv.ParseInt(string(bytes.TrimSpace(bytes.TrimSuffix(bytes.TrimSpace(rest), []byte("kB")))), 10, 64)
			p.must(err)
			return kib << 10
		}
	}
	p.Fatal("no VmRSS in the status of the intake process")
	return 0
}
