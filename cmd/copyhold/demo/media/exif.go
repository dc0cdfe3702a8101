package media

import (
	"encoding/binary"
	"time"
)

const (
	cameraMake  = "Tern Island Demo"
	cameraModel = "Seabird I"
)

// exifTag is one entry of a directory: its value is already in bytes.
type exifTag struct {
	id, kind uint16
	count    uint32
	value    []byte
}

// Kinds of values: CIPA DC-008-2016 (Exif 2.31), 4.6.2.
const (
	exifASCII     = 2
	exifShort     = 3
	exifLong      = 4
	exifRational  = 5
	exifUndefined = 7
)

var little = binary.LittleEndian

func asciiTag(id uint16, s string) exifTag {
	return exifTag{id, exifASCII, uint32(len(s) + 1), append([]byte(s), 0)}
}

func shortTag(id, v uint16) exifTag {
	return exifTag{id, exifShort, 1, little.AppendUint16(nil, v)}
}

func longTag(id uint16, v uint32) exifTag {
	return exifTag{id, exifLong, 1, little.AppendUint32(nil, v)}
}

func rationalTag(id uint16, over, under uint32) exifTag {
	return exifTag{id, exifRational, 1, little.AppendUint32(little.AppendUint32(nil, over), under)}
}

func undefinedTag(id uint16, v string) exifTag {
	return exifTag{id, exifUndefined, uint32(len(v)), []byte(v)}
}

// exifSegment is the APP1 segment of a still: a TIFF directory about the camera, which
// points to one about the shot. CIPA DC-008-2016 (Exif 2.31), 4.5.4 (structure), 4.6.4 and
// 4.6.5 (tags, those that it makes mandatory for compressed pictures included), 4.7.2 (APP1);
// sections other than 4.6.5 cited from memory.
func exifSegment(taken time.Time) []byte {
	shot := shotTags(taken)
	const header = 8
	camera := cameraTags(taken, 0)
	camera = cameraTags(taken, header+uint32(len(directory(camera, 0)))) // now that its length is known

	tiff := append([]byte("II*\x00"), header, 0, 0, 0)
	tiff = append(tiff, directory(camera, header)...)
	tiff = append(tiff, directory(shot, uint32(len(tiff)))...)

	body := append([]byte("Exif\x00\x00"), tiff...)
	return append(binary.BigEndian.AppendUint16([]byte{0xFF, 0xE1}, uint16(len(body)+2)), body...)
}

func cameraTags(taken time.Time, shotAt uint32) []exifTag {
	return []exifTag{
		asciiTag(0x010F, cameraMake),
		asciiTag(0x0110, cameraModel),
		shortTag(0x0112, 1), // Orientation: as it stands
		rationalTag(0x011A, 72, 1),
		rationalTag(0x011B, 72, 1),
		shortTag(0x0128, 2), // ResolutionUnit: inches
		asciiTag(0x0132, exifTime(taken)),
		shortTag(0x0213, 1), // YCbCrPositioning: centred
		longTag(0x8769, shotAt),
	}
}

func shotTags(taken time.Time) []exifTag {
	clock, zone, fraction := exifTime(taken), taken.Format("-07:00"), taken.Format(".000")[1:]
	return []exifTag{
		undefinedTag(0x9000, "0231"),
		asciiTag(0x9003, clock), // DateTimeOriginal
		asciiTag(0x9004, clock), // DateTimeDigitized
		asciiTag(0x9010, zone),  // OffsetTime
		asciiTag(0x9011, zone),  // OffsetTimeOriginal
		asciiTag(0x9012, zone),  // OffsetTimeDigitized
		undefinedTag(0x9101, "\x01\x02\x03\x00"),
		asciiTag(0x9290, fraction), // SubSecTime
		asciiTag(0x9291, fraction), // SubSecTimeOriginal
		asciiTag(0x9292, fraction), // SubSecTimeDigitized
		undefinedTag(0xA000, "0100"),
		shortTag(0xA001, 1), // ColorSpace: sRGB
		longTag(0xA002, stillWidth),
		longTag(0xA003, stillHeight),
	}
}

func exifTime(t time.Time) string { return t.Format("2006:01:02 15:04:05") }

// directory lays out tags, which are in ascending order, at an offset in the TIFF; values
// of more than four bytes follow the entries, each on an even offset.
func directory(tags []exifTag, at uint32) []byte {
	entries := little.AppendUint16(nil, uint16(len(tags)))
	values := []byte{}
	after := at + 2 + 12*uint32(len(tags)) + 4
	for _, t := range tags {
		entries = little.AppendUint16(entries, t.id)
		entries = little.AppendUint16(entries, t.kind)
		entries = little.AppendUint32(entries, t.count)
		if len(t.value) <= 4 {
			entries = append(entries, append(t.value, make([]byte, 4-len(t.value))...)...)
			continue
		}
		entries = little.AppendUint32(entries, after+uint32(len(values)))
		values = append(values, t.value...)
		values = append(values, make([]byte, len(t.value)%2)...)
	}
	return append(append(entries, 0, 0, 0, 0), values...) // no further directory
}
