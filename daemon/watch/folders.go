package watch

import (
	"iter"
	"strings"
)

// folders is the set of watched folders, as a tree: a folder that leaves takes
// those below it along without a look at all the others. The zero value is empty.
type folders struct {
	top folder
	len int
}

type folder struct {
	watched bool
	in      map[string]*folder
}

func (f *folders) add(rel string) {
	at := &f.top
	for name := range names(rel) {
		if at.in == nil {
			at.in = make(map[string]*folder)
		}
		if at.in[name] == nil {
			at.in[name] = &folder{}
		}
		at = at.in[name]
	}
	if !at.watched {
		at.watched = true
		f.len++
	}
}

func (f *folders) has(rel string) bool {
	at := f.find(rel)
	return at != nil && at.watched
}

// drop removes rel alone.
func (f *folders) drop(rel string) {
	if at := f.find(rel); at != nil && at.watched {
		at.watched = false
		f.len--
	}
}

// cut removes rel and all below it, and returns those that were watched.
func (f *folders) cut(rel string) []string {
	at := f.find(rel)
	if at == nil {
		return nil
	}
	var gone []string
	at.each(rel, func(rel string) bool {
		gone = append(gone, rel)
		return true
	})
	f.len -= len(gone)
	if rel == "" {
		f.top = folder{}
		return gone
	}
	in, name := split(rel)
	delete(f.find(in).in, name)
	return gone
}

// all yields every watched folder. The set must not change meanwhile.
func (f *folders) all() iter.Seq[string] {
	return func(yield func(string) bool) { f.top.each("", yield) }
}

func (f *folders) find(rel string) *folder {
	at := &f.top
	for name := range names(rel) {
		if at = at.in[name]; at == nil {
			return nil
		}
	}
	return at
}

func (f *folder) each(rel string, yield func(string) bool) bool {
	if f.watched && !yield(rel) {
		return false
	}
	for name, in := range f.in {
		if !in.each(join(rel, name), yield) {
			return false
		}
	}
	return true
}

// names yields the names in rel, none for the root.
func names(rel string) iter.Seq[string] {
	if rel == "" {
		return func(func(string) bool) {}
	}
	return strings.SplitSeq(rel, "/")
}

// split returns the folder that rel is in and its name there.
func split(rel string) (in, name string) {
	i := strings.LastIndexByte(rel, '/')
	return rel[:max(i, 0)], rel[i+1:]
}

// join is path.Join without its cleaning: names on a disk are clean.
func join(rel, name string) string {
	if rel == "" {
		return name
	}
	return rel + "/" + name
}

// depth is 0 for the root, 1 for a shoot.
func depth(rel string) int {
	if rel == "" {
		return 0
	}
	return strings.Count(rel, "/") + 1
}
