package daemon

import (
	"sync"
	"time"

	"copyhold/replicate"
	"copyhold/replicate/transfer"
)

// meter follows what a drive does now. Lanes write it, the loop reads it.
type meter struct {
	mu       sync.Mutex
	active   bool
	at       transfer.Progress
	moved    int64     // bytes since the drive began to work
	sampled  time.Time // when the rate was last taken
	sampleAt int64     // moved at that time
	rate     float64   // bytes a second, smoothed
}

// reading is a meter at one moment.
type reading struct {
	active      bool
	verifying   bool
	file        replicate.FileID
	done, total int64
	rate        int64
}

// sampleEvery is how often the rate is taken, and smoothing how much of the
// earlier rate stays in it: about ten seconds of memory, so that it does not
// jump.
const (
	sampleEvery = time.Second
	smoothing   = 0.9
)

func (m *meter) start(now time.Time) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if !m.active && now.Sub(m.sampled) > 5*time.Second {
		m.rate, m.sampled, m.sampleAt = 0, now, m.moved
	}
	m.active = true
}

func (m *meter) stop() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.active, m.at = false, transfer.Progress{}
}

// note takes in progress. Bytes count when they are written; reading back costs
// time but brings nothing further.
func (m *meter) note(p transfer.Progress, now time.Time) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if !p.Verifying {
		from := int64(0)
		if p.File == m.at.File && p.Done > m.at.Done && !m.at.Verifying {
			from = m.at.Done
		}
		m.moved += p.Done - from
	}
	m.at = p
	passed := now.Sub(m.sampled)
	if passed < sampleEvery {
		return
	}
	current := float64(m.moved-m.sampleAt) / passed.Seconds()
	if m.rate == 0 {
		m.rate = current
	}
	m.rate = smoothing*m.rate + (1-smoothing)*current
	m.sampled, m.sampleAt = now, m.moved
}

func (m *meter) read() reading {
	m.mu.Lock()
	defer m.mu.Unlock()
	return reading{
		active: m.active, verifying: m.at.Verifying, file: m.at.File,
		done: m.at.Done, total: m.at.Total, rate: int64(m.rate),
	}
}
