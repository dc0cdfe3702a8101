package transfer

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"copyhold/replicate"
)

// copyAnew copies all files again and again to a drive that has none of them.
func copyAnew(b *testing.B, w *world, h *hooked) {
	tasks := w.tasks()
	var bytes int64
	for _, t := range tasks {
		bytes += t.File.Size
	}
	b.SetBytes(bytes)
	for b.Loop() {
		b.StopTimer()
		check(b, os.RemoveAll(filepath.Join(h.dir, "Shoots")))
		b.StartTimer()
		for _, r := range w.copyThese(context.Background(), tasks) {
			if r.Err != nil || r.Found {
				b.Fatalf("%+v", r)
			}
		}
	}
	b.ReportMetric(float64(len(tasks)*b.N)/b.Elapsed().Seconds(), "files/s")
}

func BenchmarkCopyLarge(b *testing.B) {
	w, h := folderWorld(b)
	w.put("A001.mov", random(256<<20, 1))
	copyAnew(b, w, h)
}

func BenchmarkCopySmall(b *testing.B) {
	w, h := folderWorld(b)
	for i := range 2000 {
		w.put(fmt.Sprintf("%02d/A%04d.raw", i/100, i), random(4<<10+i*18, byte(i)))
	}
	copyAnew(b, w, h)
}

func BenchmarkScan(b *testing.B) {
	const files = 100_000
	w := newWorld(b)
	for i := range files / 1000 {
		dir := filepath.Join(w.dir, shoot, fmt.Sprintf("%03d", i))
		check(b, os.MkdirAll(dir, 0o755))
		for j := range 1000 {
			f, err := os.Create(filepath.Join(dir, fmt.Sprintf("A%04d.raw", j)))
			check(b, err)
			f.Close()
		}
	}
	for b.Loop() {
		var failed error
		n := 0
		for s := range Scan(context.Background(), w.src, shoot, ignoreNothing, &failed) {
			if s.What == replicate.Regular {
				n++
			}
		}
		if n != files || failed != nil {
			b.Fatal(n, failed)
		}
	}
	b.ReportMetric(float64(files*b.N)/b.Elapsed().Seconds(), "files/s")
}
