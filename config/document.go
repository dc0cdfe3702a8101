package config

import (
	"bytes"
	"encoding"
	"errors"
	"fmt"
	"strconv"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2/unstable"
)

// document is a configuration while it is read: its settings so far, where each
// was given, and what is wrong.
type document struct {
	file string
	text []byte
	cfg  Config
	// given tells where each setting's value stands; what is not in it has its
	// default. A working folder's settings are given as "working[0].folder".
	given map[string]place
	// refused holds the settings whose value could not be taken, so that no
	// rule is applied to the default that stands in for it.
	refused map[string]bool
	errs    []*Error
}

func newDocument(file string, text []byte) *document {
	return &document{
		file: file, text: text, cfg: Default(),
		given: map[string]place{}, refused: map[string]bool{},
	}
}

// nowhere is the table whose keys are passed over: its header was complained
// about, and a complaint for each key would only bury that.
const nowhere = "?"

// read takes every setting from the text, which is known to be TOML.
func (d *document) read() {
	var p unstable.Parser
	p.Reset(d.text)
	table := ""
	for p.NextExpression() {
		switch e := p.Expression(); e.Kind {
		case unstable.Table, unstable.ArrayTable:
			table = d.enter(e)
		case unstable.KeyValue:
			if table != nowhere {
				d.assign(table, e)
			}
		}
	}
}

// enter takes a table's header and returns the table that the next keys are in.
func (d *document) enter(header *unstable.Node) string {
	name := joinKey("", header.Key())
	at := d.placeOf(int(keyStart(header)))
	isList := header.Kind == unstable.ArrayTable
	switch {
	case !isTable(name):
		d.complain(at.errorf(suggestTable(name), "unknown table %s", bracket(name, isList)))
		d.refused["working"] = d.refused["working"] || isList // it may have been meant
		return nowhere
	case name == "working":
		d.open(at)
		if !isList {
			d.complain(at.errorf("[[working]], once for each working folder", "[working] is a single table"))
		}
	case isList:
		d.complain(at.errorf("["+name+"]", "[[%s]] is a list of tables", name))
	}
	return name
}

// open begins the next working folder, which keys set from here on.
func (d *document) open(at place) {
	d.cfg.Working = append(d.cfg.Working, Working{at: at})
	d.given[d.index("working.")] = at
}

// assign takes one key and its value. TOML has several ways to put a table
// inline; all are read.
func (d *document) assign(table string, kv *unstable.Node) {
	path := joinKey(table, kv.Key())
	value := kv.Value()
	switch {
	case path == "working" && value.Kind == unstable.Array:
		d.assignFolders(kv)
	case isTable(path) && path != "working" && value.Kind == unstable.InlineTable:
		d.assignAll(path, value)
	case isTable(path):
		at := d.placeOf(d.valueStart(kv))
		d.refuse(path, at, wrongKind(value, "the table "+bracket(path, path == "working")))
	default:
		d.assignSetting(path, kv)
	}
}

func (d *document) assignAll(table string, inline *unstable.Node) {
	for it := inline.Children(); it.Next(); {
		d.assign(table, it.Node())
	}
}

// assignFolders reads working = [{folder = ...}, ...].
func (d *document) assignFolders(kv *unstable.Node) {
	for it := kv.Value().Children(); it.Next(); {
		at := d.placeOf(d.elementStart(kv, it.Node()))
		if it.Node().Kind != unstable.InlineTable {
			d.complain(at.errorf("the table [[working]]", "a working folder is %s", kindName(it.Node().Kind)))
			continue
		}
		d.open(at)
		d.assignAll("working", it.Node())
	}
}

func (d *document) assignSetting(path string, kv *unstable.Node) {
	key, at := d.placeOf(int(keyStart(kv))), d.placeOf(d.valueStart(kv))
	setting := d.cfg.setting(path)
	switch {
	case setting == nil && isSetting(path): // working.folder before any [[working]]
		d.refused["working"] = true
		d.complain(key.errorf("it under [[working]]", "%s belongs to no working folder", path))
		return
	case setting == nil:
		d.complain(key.errorf(suggestKey(path), "unknown key %s", describeKey(path)))
		return
	}
	d.given[d.index(path)] = at
	if list, ok := setting.(*[]string); ok && kv.Value().Kind == unstable.Array {
		d.assignList(path, list, kv)
		return
	}
	if err := assignValue(setting, kv.Value()); err != nil {
		d.refuse(path, at, err)
	}
}

// assignList also remembers where each element stands.
func (d *document) assignList(path string, list *[]string, kv *unstable.Node) {
	*list = nil
	for it := kv.Value().Children(); it.Next(); {
		at, key := d.placeOf(d.elementStart(kv, it.Node())), elementKey(path, len(*list))
		d.given[key] = at
		var element string
		if err := assignValue(&element, it.Node()); err != nil {
			d.refuse(key, at, err)
		}
		*list = append(*list, element)
	}
}

// refuse complains about a value that is not what the setting holds.
func (d *document) refuse(path string, at place, err *valueError) {
	d.refused[d.index(path)] = true
	d.complain(at.errorf(err.expected, "%s is %s", path, err.value))
}

// complain keeps one error per position: the first says what is wrong there,
// and what follows from it is no news.
func (d *document) complain(err *Error) {
	for _, e := range d.errs {
		if e.Line == err.Line && e.Column == err.Column {
			return
		}
	}
	d.errs = append(d.errs, err)
}

// assignValue sets a setting from a value of the kind that it wants.
func assignValue(setting any, v *unstable.Node) *valueError {
	text := string(v.Data)
	isText := v.Kind == unstable.String
	switch to := setting.(type) {
	case *string:
		*to = text
		if !isText {
			return wrongKind(v, "text in quotes")
		}
		return nil
	case *[]string:
		return wrongKind(v, `a list of patterns such as ["**/*.tmp"]`)
	case *int:
		return assignNumber(to, v)
	case encoding.TextUnmarshaler:
		if !isText {
			return wrongKind(v, "text in quotes: "+expectedOf(to))
		}
		return asValueError(to.UnmarshalText(v.Data))
	}
	panic(fmt.Sprintf("config: no way to read a %T", setting)) // our own table is wrong
}

// assignNumber keeps to 32 bits so that a file means the same on every computer.
func assignNumber(to *int, v *unstable.Node) *valueError {
	if v.Kind != unstable.Integer {
		return wrongKind(v, "a whole number such as 3")
	}
	n, err := strconv.ParseInt(string(v.Data), 0, 32)
	if err != nil {
		return &valueError{string(v.Data), "a number that a shelf of drives could meet"}
	}
	*to = int(n)
	return nil
}

func wrongKind(v *unstable.Node, expected string) *valueError {
	return &valueError{kindName(v.Kind), expected}
}

// asValueError is for our own types, whose UnmarshalText returns nothing else.
func asValueError(err error) *valueError {
	var ve *valueError
	errors.As(err, &ve)
	return ve
}

// expectedOf asks the type itself, by way of a value that it cannot take.
func expectedOf(u encoding.TextUnmarshaler) string {
	return asValueError(u.UnmarshalText([]byte("?"))).expected
}

// keyStart returns the offset of the first part of a node's key.
func keyStart(n *unstable.Node) uint32 {
	it := n.Key()
	it.Next()
	return it.Node().Raw.Offset
}

// valueStart returns the offset of a key's value. The parser does not tell it of
// a list, which is the first thing after the equals sign.
func (d *document) valueStart(kv *unstable.Node) int {
	if raw := kv.Value().Raw; raw.Length > 0 {
		return int(raw.Offset)
	}
	end := keyStart(kv)
	for it := kv.Key(); it.Next(); {
		end = it.Node().Raw.Offset + it.Node().Raw.Length
	}
	rest := d.text[end:]
	return int(end) + len(rest) - len(bytes.TrimLeft(rest, " \t="))
}

// elementStart returns the offset of an element of a key's list, or that of the
// list for a list in a list.
func (d *document) elementStart(kv, element *unstable.Node) int {
	if element.Raw.Length > 0 {
		return int(element.Raw.Offset)
	}
	return d.valueStart(kv)
}

// placeOf counts columns in characters, as editors do.
func (d *document) placeOf(offset int) place {
	before := d.text[:offset]
	start := bytes.LastIndexByte(before, '\n') + 1
	return place{
		file:   d.file,
		line:   1 + bytes.Count(before, []byte("\n")),
		column: 1 + utf8.RuneCount(before[start:]),
	}
}

// offset returns where line and column are, with the column counted in bytes as
// the library does. It may be the end of the text but is never past it.
func (d *document) offset(line, column int) int {
	offset := 0
	for ; line > 1; line-- {
		offset += bytes.IndexByte(d.text[offset:], '\n') + 1
	}
	return min(offset+max(column-1, 0), len(d.text))
}
