package media

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// Programs that know these formats from elsewhere agree, where they are installed.
func TestOutsideReaders(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	for name, content := range map[string][]byte{
		"a.jpg": still(t, 3, 1), "a.avi": clip(t, 1e6, 1), "a.wav": sound(t, 1, 1),
	} {
		if err := os.WriteFile(filepath.Join(dir, name), content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct {
		program []string
		name    string
		says    []string
	}{
		{[]string{"file", "--brief"}, "a.jpg", []string{"JPEG image data", "Exif standard", "Tern Island Demo", "1600x1067"}},
		{[]string{"file", "--brief"}, "a.avi", []string{"AVI, 1280 x 720, 25.00 fps", "Motion JPEG"}},
		{[]string{"file", "--brief"}, "a.wav", []string{"WAVE audio", "16 bit, stereo 48000 Hz"}},
		{[]string{"ffprobe", "-v", "error", "-show_streams"}, "a.avi", []string{"codec_name=mjpeg", "width=1280"}},
		{[]string{"ffprobe", "-v", "error", "-show_streams"}, "a.wav", []string{"codec_name=pcm_s16le", "sample_rate=48000"}},
		{[]string{"exiftool", "-validate", "-s", "-DateTimeOriginal", "-OffsetTimeOriginal"}, "a.jpg",
			[]string{": OK", "2026:03:02 06:41:07", "-02:00"}},
		{[]string{"exiftool", "-validate", "-s", "-VideoCodec"}, "a.avi", []string{": OK", "MJPG"}},
	} {
		t.Run(c.program[0]+" "+c.name, func(t *testing.T) {
			path, err := exec.LookPath(c.program[0])
			if err != nil {
				t.Skip("not installed")
			}
			out, err := exec.Command(path, append(c.program[1:], filepath.Join(dir, c.name))...).CombinedOutput()
			if err != nil {
				t.Fatalf("%v\n%s", err, out)
			}
			for _, words := range c.says {
				if !strings.Contains(string(out), words) {
					t.Errorf("no %q in\n%s", words, out)
				}
			}
		})
	}
}
