package media

import "testing"

// BenchmarkPlate is what the first clip of a view pays for each of its poses.
func BenchmarkPlate(b *testing.B) {
	for b.Loop() {
		v := clipView(clipPlaces[0], 0)
		if _, err := encode(v.paint(), v.quality); err != nil {
			b.Fatal(err)
		}
	}
}
