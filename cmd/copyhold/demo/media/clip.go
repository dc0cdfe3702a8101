package media

import (
	"errors"
	"fmt"
	"io"
	"sync"
)

const (
	clipWidth   = 1280
	clipHeight  = 720
	clipQuality = 90
	clipRate    = 25 // frames per second

	// clipPoses are the pictures of one beat of the wings, each held for clipHold frames.
	clipPoses = 8
	clipHold  = 3

	// maxClip is what a plain AVI holds without the index of indexes that OpenDML added.
	maxClip = 1 << 30
)

// clipPlaces are the two views that clips show, one per film camera: painting one
// takes longer than writing a clip, so clips share them and differ in their grain.
var clipPlaces = [2]uint64{0x7e41, 0x7e42}

// Clip writes a movie of about size bytes: Motion-JPEG in AVI, under by at most a frame;
// at least one frame is written.
//
// AVI: RIFF form 'AVI ' with the lists 'hdrl' and 'movi' and the index 'idx1', as "AVI RIFF
// File Reference", learn.microsoft.com/windows/win32/directshow/avi-riff-file-reference
func Clip(w io.Writer, size int64, seed uint64) error {
	if size < 0 || size > maxClip {
		return fmt.Errorf("clip of %d bytes: sizes go from 0 to %d", size, maxClip)
	}
	poses, err := clipPlates(clipPlaces[seed%2])
	if err != nil {
		return fmt.Errorf("clip: %w", err)
	}
	c := reel{poses: poses, first: int(seed>>1) % clipPoses}
	c.fill(size)
	if _, err := w.Write(c.head()); err != nil {
		return err
	}
	if err := c.film(w, seed); err != nil {
		return err
	}
	_, err = w.Write(c.index())
	return err
}

// clipPlates are the poses of one view, painted beside each other the first time.
func clipPlates(place uint64) ([]*plate, error) {
	var (
		poses   [clipPoses]*plate
		errs    [clipPoses]error
		brushes sync.WaitGroup
	)
	for i := range clipPoses {
		brushes.Go(func() { poses[i], errs[i] = clipView(place, i).develop() })
	}
	brushes.Wait()
	return poses[:], errors.Join(errs[:]...)
}

func clipView(place uint64, pose int) view {
	return view{
		w: clipWidth, h: clipHeight, quality: clipQuality,
		place: place, flock: place, sun: 0.35, pose: float64(pose) / clipPoses,
	}
}

// reel is a clip laid out before it is written: its header counts what follows.
type reel struct {
	poses   []*plate
	first   int // the pose it starts with
	frames  int
	movi    int // the content of the list of frames, its four letters included
	longest int // frame
}

const (
	chunkHeadSize  = 8
	indexEntrySize = 16
)

func (c *reel) pose(frame int) *plate {
	return c.poses[(c.first+frame/clipHold)%len(c.poses)]
}

// frameSize is the room that a frame takes: its chunk and its entry in the index.
func (c *reel) frameSize(frame int) (inMovi, inAll int) {
	n := len(c.pose(frame).jpeg)
	return chunkHeadSize + n + n%2, chunkHeadSize + n + n%2 + indexEntrySize
}

// fill takes as many frames as size allows.
func (c *reel) fill(size int64) {
	c.movi = len("movi")
	whole := int64(len(c.head()) + chunkHeadSize)
	for {
		inMovi, inAll := c.frameSize(c.frames)
		if whole += int64(inAll); whole > size && c.frames > 0 {
			return
		}
		c.longest = max(c.longest, len(c.pose(c.frames).jpeg))
		c.movi += inMovi
		c.frames++
	}
}

// Flags: the file has an index; each frame stands alone.
const (
	aviHasIndex = 0x10
	aviKeyFrame = 0x10
)

// aviMain is the chunk 'avih'.
type aviMain struct {
	MicrosPerFrame, BytesPerSecond, Padding, Flags uint32
	Frames, InitialFrames, Streams, Buffer         uint32
	Width, Height                                  uint32
	_                                              [4]uint32
}

// aviStream is the chunk 'strh'.
type aviStream struct {
	Type, Handler                                     [4]byte
	Flags                                             uint32
	Priority, Language                                uint16
	InitialFrames, Scale, Rate, Start, Length, Buffer uint32
	Quality                                           int32
	SampleSize                                        uint32
	Left, Top, Right, Bottom                          int16
}

// aviBitmap is the chunk 'strf' of a stream of pictures.
type aviBitmap struct {
	Size          uint32
	Width, Height int32
	Planes, Bits  uint16
	Compression   [4]byte
	ImageSize     uint32
	_             [4]uint32
}

var mjpg = [4]byte{'M', 'J', 'P', 'G'}

// head is all that stands before the first frame.
func (c *reel) head() []byte {
	frames, buffer := uint32(c.frames), uint32(c.longest+c.longest%2)
	header := list("hdrl",
		chunk("avih", packed(aviMain{
			MicrosPerFrame: 1e6 / clipRate, BytesPerSecond: clipRate * buffer, Flags: aviHasIndex,
			Frames: frames, Streams: 1, Buffer: buffer, Width: clipWidth, Height: clipHeight,
		})),
		list("strl",
			chunk("strh", packed(aviStream{
				Type: [4]byte{'v', 'i', 'd', 's'}, Handler: mjpg, Scale: 1, Rate: clipRate,
				Length: frames, Buffer: buffer, Quality: -1, Right: clipWidth, Bottom: clipHeight,
			})),
			chunk("strf", packed(aviBitmap{
				Size: 40, Width: clipWidth, Height: clipHeight, Planes: 1, Bits: 24,
				Compression: mjpg, ImageSize: clipWidth * clipHeight * 3,
			})),
		),
	)
	riff := len("AVI ") + len(header) + chunkHeadSize + c.movi + chunkHeadSize + indexEntrySize*c.frames
	head := append(chunkHead("RIFF", riff), "AVI "...)
	head = append(head, header...)
	return append(append(head, chunkHead("LIST", c.movi)...), "movi"...)
}

// film writes the frames, each with a grain of its own.
func (c *reel) film(w io.Writer, seed uint64) error {
	draw := draws(seed, 0xc1)
	var frame []byte
	for i := range c.frames {
		p := c.pose(i)
		frame = append(frame[:0], chunkHead("00dc", len(p.jpeg))...)
		frame = p.print(frame, draw)
		frame = append(frame, make([]byte, len(p.jpeg)%2)...)
		if _, err := w.Write(frame); err != nil {
			return err
		}
	}
	return nil
}

// index lists each frame's place, counted from the letters 'movi'.
func (c *reel) index() []byte {
	index := chunkHead("idx1", indexEntrySize*c.frames)
	at := len("movi")
	for i := range c.frames {
		index = append(index, "00dc"...)
		for _, v := range []int{aviKeyFrame, at, len(c.pose(i).jpeg)} {
			index = little.AppendUint32(index, uint32(v))
		}
		inMovi, _ := c.frameSize(i)
		at += inMovi
	}
	return index
}
