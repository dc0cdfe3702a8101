package state

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"copyhold/replicate"
)

// season is a working folder of n files as photographers have them: shoots of
// two thousand, stills with a sidecar for every second, and two cameras' clips.
func season(n int) (paths []string) {
	for i := range n {
		shoot := fmt.Sprintf("2026-%02d-%02d Tern Island, survey %02d", 1+i/2000%12, 1+i/24000%28, i/2000)
		var name string
		switch i % 2000 % 10 {
		case 9:
			name = fmt.Sprintf("camera A/CLIPS/A%03dC%04d_260302_T1.mov", i%2000/100, i%2000)
		case 8:
			name = fmt.Sprintf("camera B/PRIVATE/CLIP/C%04d.mp4", i%2000)
		default:
			name = fmt.Sprintf("stills/TRN_%04d.%s", i%2000/2, []string{"raw", "xmp"}[i%2])
		}
		paths = append(paths, shoot+"/"+name)
	}
	return paths
}

// fill records n files of a season with verified copies on the drives 1 to
// copies, many in one transaction.
func fill(t testing.TB, l *Ledger, n, copies int) {
	t.Helper()
	var drives []replicate.DriveNo
	for no := range copies {
		drives = append(drives, replicate.DriveNo(no+1))
	}
	all := season(n)
	r := rand.New(rand.NewPCG(1, 2))
	for len(all) > 0 {
		part := all[:min(len(all), 2000)]
		all = all[len(part):]
		record(t, l, func(tx *Tx) error {
			for _, p := range part {
				f := still(p, drives...)
				f.Inode, f.MTime = r.Uint64()>>30, noon.Add(-1_234_567_890)
				if err := tx.PutFile(f, noon); err != nil {
					return err
				}
			}
			return nil
		})
	}
}

// TestLedgerIsSmall holds the ledger to its size: 350 bytes for a file and 120
// for each copy of it, the database's own pages and free space included.
func TestLedgerIsSmall(t *testing.T) {
	const n, copies = 100_000, 2
	l := newLedger(t)
	l.db.NoSync = true // nothing here is kept
	fill(t, l, n, copies)
	info, err := os.Stat(l.Path())
	if err != nil {
		t.Fatal(err)
	}
	perFile := float64(info.Size()) / n
	t.Logf("%.0f bytes a file with %d copies, %d MB in all", perFile, copies, info.Size()/1e6)
	if perFile > 350+copies*120 {
		t.Errorf("%.0f bytes a file with %d copies, %d are allowed", perFile, copies, 350+copies*120)
	}
}

// BenchmarkLedgerRecord records a thousand results in one transaction, in a
// ledger of fifty thousand files, with its sync.
func BenchmarkLedgerRecord(b *testing.B) {
	const many = 1000
	l := newLedger(b)
	fill(b, l, 50_000, 1)
	var files []*replicate.File
	for i, p := range season(50_000) {
		if i%50 == 0 {
			files = append(files, still(p, 1, 2))
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		record(b, l, func(tx *Tx) error {
			for _, f := range files[:many] {
				known, err := tx.File(f.FileID)
				if err != nil {
					return err
				}
				known.SetCopy(f.CopyOn(2))
				if err := tx.PutFile(known, noon); err != nil {
					return err
				}
			}
			return nil
		})
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/many, "ns/file")
}

// BenchmarkLedgerScan reads every file of fifty thousand.
func BenchmarkLedgerScan(b *testing.B) {
	const n = 50_000
	l := newLedger(b)
	fill(b, l, n, 2)
	b.ReportAllocs()
	for b.Loop() {
		met := 0
		view(b, l, func(tx *Tx) error {
			var failed error
			for range tx.All("Shoots", &failed) {
				met++
			}
			return failed
		})
		if met != n {
			b.Fatalf("%d files", met)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/file")
}

// BenchmarkShoots reads the tallies of twenty-five shoots: what a status needs.
func BenchmarkShoots(b *testing.B) {
	l := newLedger(b)
	fill(b, l, 50_000, 2)
	b.ReportAllocs()
	for b.Loop() {
		view(b, l, func(tx *Tx) error {
			shoots, err := tx.Shoots()
			if len(shoots) != 25 {
				b.Fatalf("%d shoots", len(shoots))
			}
			return err
		})
	}
}

// BenchmarkProvePages proves a ledger of fifty thousand files before it is opened.
func BenchmarkProvePages(b *testing.B) {
	dir := b.TempDir()
	l := openLedger(b, dir)
	fill(b, l, 50_000, 0)
	b.SetBytes(l.Size())
	for b.Loop() {
		if err := provePages(filepath.Join(dir, FileName), true); err != nil {
			b.Fatal(err)
		}
	}
}
