package drives

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"copyhold/replicate"
)

const (
	holdFolder    = replicate.OwnFolder
	identityFile  = holdFolder + "/drive.json"
	identityLimit = 64 << 10
	knownFormat   = 1
)

// identity is what evidence needs of an identity file. Package lists owns the file.
type identity struct {
	ID     replicate.DriveID `json:"id"`
	Volume string            `json:"volume"`
	Format int               `json:"format"`
}

// errNoDrive says that a folder does not claim to be a drive at all.
var errNoDrive = errors.New("not a drive")

// readIdentity reads the identity file of the folder at root. Every error but errNoDrive is a sentence for people.
//
// An identity is believed only if it lies in the very file system that it speaks for: neither a link nor a mount
// may stand in between (P7).
func readIdentity(root *os.Root, folder *os.File) (identity, error) {
	switch hold, err := root.Lstat(holdFolder); {
	case errors.Is(err, fs.ErrNotExist):
		return identity{}, errNoDrive
	case err != nil:
		return identity{}, fmt.Errorf("its folder %s cannot be read: %w", holdFolder, cause(err))
	case hold.Mode()&fs.ModeSymlink != 0:
		return identity{}, fmt.Errorf("its folder %s is a link", holdFolder)
	case !hold.IsDir():
		return identity{}, fmt.Errorf("its %s is not a folder", holdFolder)
	}
	f, err := openIdentity(root)
	if err != nil {
		return identity{}, err
	}
	defer f.Close()
	if mountID(f) != mountID(folder) {
		return identity{}, errors.New("its identity file is on another file system than its folder")
	}
	text, err := io.ReadAll(io.LimitReader(f, identityLimit+1))
	if err != nil {
		return identity{}, fmt.Errorf("its identity file cannot be read: %w", cause(err))
	}
	return decode(text)
}

// openIdentity opens the identity file if it is a plain file. What was looked at must be what was opened: a Root
// follows links that stay inside it.
func openIdentity(root *os.Root) (*os.File, error) {
	looked, err := root.Lstat(identityFile)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, errors.New("its identity file is missing")
	case err != nil:
		return nil, fmt.Errorf("its identity file cannot be read: %w", cause(err))
	case looked.Mode()&fs.ModeSymlink != 0:
		return nil, errors.New("its identity file is a link")
	case looked.IsDir():
		return nil, errors.New("its identity file is a folder")
	case !looked.Mode().IsRegular():
		return nil, errors.New("its identity file is not a plain file")
	case looked.Size() > identityLimit:
		return nil, fmt.Errorf("its identity file is too large: %d bytes", looked.Size())
	}
	f, err := root.OpenFile(identityFile, os.O_RDONLY|plainFileOnly, 0)
	if err != nil {
		return nil, fmt.Errorf("its identity file cannot be read: %w", cause(err))
	}
	if opened, err := f.Stat(); err != nil || !os.SameFile(looked, opened) {
		f.Close()
		return nil, errors.New("its identity file changed while it was read")
	}
	return f, nil
}

// decode reads the text of an identity file.
func decode(text []byte) (identity, error) {
	var id identity
	if len(text) > identityLimit {
		return identity{}, fmt.Errorf("its identity file is too large: over %d bytes", identityLimit)
	}
	if len(text) == 0 {
		return identity{}, errors.New("its identity file is empty")
	}
	d := json.NewDecoder(bytes.NewReader(text))
	err := d.Decode(&id)
	_, after := d.Token()
	switch {
	case errors.Is(err, io.ErrUnexpectedEOF):
		return identity{}, errors.New("its identity file is cut short")
	case err != nil || !errors.Is(after, io.EOF):
		return identity{}, errors.New("its identity file is not as Copyhold writes it")
	case !plausible(id.ID):
		return identity{}, errors.New("its identity file holds no usable id")
	case id.Format > knownFormat:
		return identity{}, fmt.Errorf("its identity file was written by a newer Copyhold (format %d)", id.Format)
	case id.Format < 1:
		return identity{}, errors.New("its identity file tells no format")
	}
	return id, nil
}

// plausible keeps out ids that could do harm as a key, in a message or as a part of a file name.
func plausible(id replicate.DriveID) bool {
	for _, c := range []byte(id) {
		letter := 'a' <= c|0x20 && c|0x20 <= 'z'
		if !letter && (c < '0' || c > '9') && c != '-' && c != '_' {
			return false
		}
	}
	return 0 < len(id) && len(id) <= 128
}

// cause is err without the path that the reader of the message already knows.
func cause(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}
