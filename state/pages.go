package state

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"os"
)

// The database trusts its pages: following a damaged one it panics, on
// goroutines of its own where nobody can recover, it reads beyond the end of a
// cut file, which ends the process, or it runs in circles. So the pages are
// proven first, read as a plain file. The layout is bbolt's, internal/common/
// page.go, meta.go and inode.go of v1.5.0:
//
//	page     id 8, flags 2, count 2, overflow 4; then count elements; then keys
//	branch   position 4, key size 4, page 8
//	leaf     flags 4, position 4, key size 4, value size 4
//	bucket   page 8, sequence 8; page 0: the only page follows
//	meta     magic 4, version 4, page size 4, flags 4, root bucket 16,
//	         free list 8, page count 8, transaction 8, checksum 8
const (
	pageHeader   = 16
	elementSize  = 16
	bucketHeader = 16
	metaSize     = 64
	metaMagic    = 0xED0CDAED
	branchPage   = 0x01
	leafPage     = 0x02
	noFreeList   = ^uint64(0)
)

// pages is a database file about to be proven.
type pages struct {
	file    io.ReaderAt
	size    int64 // of one page
	root    uint64
	reached []bool // by page number
}

// provePages proves that the file is as long as it says and, when deep, that
// all its pages hang together. Deep needs a lock
// or a transaction that keeps the pages from being written.
func provePages(path string, deep bool) (err error) {
	file, err := os.Open(path)
	if err != nil {
		return err
	}
	defer file.Close()
	p, err := readMeta(file)
	if err != nil || !deep {
		return err
	}
	return p.bucket(p.root)
}

// readMeta takes the newer of the two meta pages that are whole.
func readMeta(file *os.File) (*pages, error) {
	var best []byte
	take := func(at int64) {
		m := make([]byte, metaSize)
		if _, err := file.ReadAt(m, at+pageHeader); err != nil || !wholeMeta(m) {
			return
		}
		if best == nil || binary.LittleEndian.Uint64(m[48:]) > binary.LittleEndian.Uint64(best[48:]) {
			best = m
		}
	}
	take(0)
	if best != nil {
		take(int64(binary.LittleEndian.Uint32(best[8:])))
	}
	for size := int64(1024); best == nil && size <= 1<<16; size *= 2 {
		take(size)
	}
	if best == nil {
		return nil, fmt.Errorf("%w: it has no beginning", ErrCorrupt)
	}
	info, err := file.Stat() // after the meta page: a process that writes makes room first
	if err != nil {
		return nil, err
	}
	length := info.Size()
	size, count := int64(binary.LittleEndian.Uint32(best[8:])), binary.LittleEndian.Uint64(best[40:])
	if size < 1024 || length/size < 2 || count > uint64(length/size) {
		return nil, fmt.Errorf("%w: it is cut short", ErrCorrupt)
	}
	if binary.LittleEndian.Uint64(best[32:]) != noFreeList {
		return nil, fmt.Errorf("%w: it has a list of free pages, which was never written", ErrCorrupt)
	}
	return &pages{file: file, size: size, root: binary.LittleEndian.Uint64(best[16:]), reached: make([]bool, count)}, nil
}

func wholeMeta(m []byte) bool {
	sum := fnv.New64a()
	_, _ = sum.Write(m[:56])
	return binary.LittleEndian.Uint32(m) == metaMagic && binary.LittleEndian.Uint64(m[56:]) == sum.Sum64()
}

var errPage = errors.New("does not hang together")

// bucket proves the root, whose values are buckets, and then each of these.
func (p *pages) bucket(root uint64) error {
	var inner []uint64
	err := p.page(root, nil, nil, func(flags uint32, value []byte) error {
		switch {
		case flags != 1 || len(value) < bucketHeader:
			return errPage
		case binary.LittleEndian.Uint64(value) != 0:
			inner = append(inner, binary.LittleEndian.Uint64(value))
			return nil
		default:
			return proveLeaf(value[bucketHeader:], nil, nil, plainValue)
		}
	})
	for _, id := range inner {
		err = errors.Join(err, p.page(id, nil, nil, plainValue))
	}
	return err
}

// plainValue refuses a bucket inside a part of the ledger.
func plainValue(flags uint32, _ []byte) error {
	if flags != 0 {
		return errPage
	}
	return nil
}

// page proves a page and those below it; its keys are from low to before high.
func (p *pages) page(id uint64, low, high []byte, value func(uint32, []byte) error) error {
	b, err := p.read(id)
	if err != nil {
		return err
	}
	switch binary.LittleEndian.Uint16(b[8:]) {
	case branchPage:
		err = p.branch(b, low, high, value)
	case leafPage:
		err = proveLeaf(b, low, high, value)
	default:
		err = errPage
	}
	if errors.Is(err, errPage) && !errors.Is(err, ErrCorrupt) {
		err = fmt.Errorf("%w: page %d %w", ErrCorrupt, id, err)
	}
	return err
}

// read returns a page with what overflows into the next ones, each reached once.
func (p *pages) read(id uint64) ([]byte, error) {
	bad := fmt.Errorf("%w: page %d %w", ErrCorrupt, id, errPage)
	if id < 2 || id >= uint64(len(p.reached)) {
		return nil, bad
	}
	b := make([]byte, p.size)
	if _, err := p.file.ReadAt(b, int64(id)*p.size); err != nil {
		return nil, err
	}
	more := uint64(binary.LittleEndian.Uint32(b[12:]))
	if binary.LittleEndian.Uint64(b) != id || id+more >= uint64(len(p.reached)) {
		return nil, bad
	}
	for i := id; i <= id+more; i++ {
		if p.reached[i] {
			return nil, bad
		}
		p.reached[i] = true
	}
	if more > 0 {
		b = make([]byte, int64(more+1)*p.size)
		if _, err := p.file.ReadAt(b, int64(id)*p.size); err != nil {
			return nil, err
		}
	}
	return b, nil
}

func (p *pages) branch(b, low, high []byte, value func(uint32, []byte) error) error {
	count := int(binary.LittleEndian.Uint16(b[10:]))
	keys := make([][]byte, count+1)
	keys[count] = high
	for i := range count {
		e, err := element(b, i)
		if err != nil {
			return err
		}
		if keys[i], _, err = span(e, binary.LittleEndian.Uint32(e), binary.LittleEndian.Uint32(e[4:]), 0); err != nil {
			return err
		}
	}
	if count == 0 || !ordered(keys[:count], low, high) {
		return errPage
	}
	for i := range count {
		e, _ := element(b, i)
		if err := p.page(binary.LittleEndian.Uint64(e[8:]), keys[i], keys[i+1], value); err != nil {
			return err
		}
	}
	return nil
}

func proveLeaf(b, low, high []byte, value func(uint32, []byte) error) error {
	if len(b) < pageHeader || binary.LittleEndian.Uint16(b[8:]) != leafPage {
		return errPage
	}
	keys := make([][]byte, binary.LittleEndian.Uint16(b[10:]))
	for i := range keys {
		e, err := element(b, i)
		if err != nil {
			return err
		}
		k, v, err := span(e, binary.LittleEndian.Uint32(e[4:]), binary.LittleEndian.Uint32(e[8:]), binary.LittleEndian.Uint32(e[12:]))
		if err != nil {
			return err
		}
		if err := value(binary.LittleEndian.Uint32(e), v); err != nil {
			return err
		}
		keys[i] = k
	}
	if !ordered(keys, low, high) {
		return errPage
	}
	return nil
}

// element is the page from its i-th element on.
func element(b []byte, i int) ([]byte, error) {
	at := pageHeader + i*elementSize
	if at+elementSize > len(b) {
		return nil, errPage
	}
	return b[at:], nil
}

// span is the key and the value that stand so far from their element.
func span(e []byte, pos, key, value uint32) (k, v []byte, err error) {
	from := uint64(pos)
	if from+uint64(key)+uint64(value) > uint64(len(e)) {
		return nil, nil, errPage
	}
	k, v = e[from:from+uint64(key)], e[from+uint64(key):from+uint64(key)+uint64(value)]
	return k, v, nil
}

// ordered reports whether the keys rise, from low to before high.
func ordered(keys [][]byte, low, high []byte) bool {
	for i, k := range keys {
		if i == 0 && bytes.Compare(k, low) < 0 || i > 0 && bytes.Compare(keys[i-1], k) >= 0 {
			return false
		}
		if high != nil && bytes.Compare(k, high) >= 0 {
			return false
		}
	}
	return true
}
