package suggest

import "testing"

func TestNearest(t *testing.T) {
	words := []string{"offset_k", "u95_k", "response_s", "loss_fraction", "node", "name"}
	for _, test := range []struct {
		word, want string
	}{
		{"offset_k", "offset_k"},
		{"ofset_k", "offset_k"},
		{"offset_c", "offset_k"},
		{"reponse_s", "response_s"},
		{"u95", "u95_k"},
		{"respon", "response_s"},
		{"no", ""},       // too short to be a beginning, too far to be a slip
		{"naem", "name"}, // neighbours swapped
		{"nodes", "node"},
		{"colour", ""},
		{"", ""},
	} {
		got, ok := Nearest(test.word, words)
		if got != test.want || ok != (test.want != "") {
			t.Errorf("Nearest(%q) = %q, %v, want %q", test.word, got, ok, test.want)
		}
	}
}

// Worked examples of the Levenshtein and optimal string alignment distances
// that textbooks use; from memory.
func TestDistance(t *testing.T) {
	for _, test := range []struct {
		a, b string
		want int
	}{
		{"kitten", "sitting", 3},
		{"saturday", "sunday", 3},
		{"ca", "abc", 3},
		{"", "abc", 3},
		{"abcd", "acbd", 1},
	} {
		for _, pair := range [][2]string{{test.a, test.b}, {test.b, test.a}} {
			if got := distance(pair[0], pair[1]); got != test.want {
				t.Errorf("distance(%q, %q) = %d, want %d", pair[0], pair[1], got, test.want)
			}
		}
	}
}
