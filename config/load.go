package config

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"github.com/pelletier/go-toml/v2"
)

// maxSize is far above any configuration. It guards against being handed a clip.
const maxSize = 64 << 10

// Load reads and checks the file at path. What it refuses is an *Error, or
// several joined, in the order of the file. It touches nothing but the file.
func Load(path string) (Config, error) {
	text, err := readFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return Config{}, fmt.Errorf("%w: %s", ErrNoConfig, path)
	}
	if err != nil {
		return Config{}, fmt.Errorf("read the configuration: %w", err)
	}
	return parse(path, text, os.UserHomeDir)
}

func readFile(path string) ([]byte, error) {
	f, err := os.Open(filepath.Clean(path))
	if err != nil {
		return nil, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, maxSize+1))
	if err == nil && len(text) > maxSize {
		return nil, fmt.Errorf("%s is larger than %d bytes", path, maxSize)
	}
	return text, err
}

// parse is Load without the disk. It goes over the text twice: the library's
// decoder knows what is TOML and what is defined twice, but stops at the first
// value it cannot take and tells no position of those that only we refuse.
func parse(file string, text []byte, home func() (string, error)) (Config, error) {
	// Some editors begin a file with a byte order mark; TOML 1.1 ignores it.
	text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))
	doc := newDocument(file, text)
	if err := toml.Unmarshal(text, new(map[string]any)); err != nil {
		return Config{}, doc.syntaxError(err)
	}
	doc.read()
	doc.complete(home)
	doc.judge()
	if len(doc.errs) > 0 {
		return Config{}, doc.problems()
	}
	return doc.cfg, nil
}

// syntaxError says where the file stops being TOML. A path of Windows in double
// quotes is by far the most likely slip, so it has its own advice.
func (d *document) syntaxError(err error) error {
	var de *toml.DecodeError
	if !errors.As(err, &de) {
		return &Error{File: d.file, Line: 1, Column: 1, What: "this is not TOML", Err: err}
	}
	offset := d.offset(de.Position())
	line := d.text[bytes.LastIndexByte(d.text[:offset], '\n')+1 : min(offset+1, len(d.text))]
	expected := "TOML, as at https://toml.io"
	if bytes.IndexByte(line, '\\') >= 0 {
		expected = `single quotes around a value that has a backslash, as in 'D:\Shoots'`
	}
	what := bytes.TrimPrefix([]byte(de.Error()), []byte("toml: "))
	return d.placeOf(offset).errorf(expected, "%s", what)
}

// problems returns all that is wrong, in the order of the file.
func (d *document) problems() error {
	slices.SortStableFunc(d.errs, func(a, b *Error) int {
		if a.Line != b.Line {
			return a.Line - b.Line
		}
		return a.Column - b.Column
	})
	var errs []error
	for _, e := range d.errs {
		errs = append(errs, e)
	}
	return errors.Join(errs...)
}
