package exec

import "testing"

// TestAsksWhatIsLoaded: what keeps the sources from being loaded all at once, and
// that a test which asks for a class of its own does not.
func TestAsksWhatIsLoaded(t *testing.T) {
	declared := map[string]bool{`harbour\pilot`: true}
	for _, c := range []struct {
		text string
		want bool
	}{
		{`class_exists(Pilot::class, false)`, true},
		{`class_exists('Harbour\Pilot', false)`, true},
		{`class_exists('\\harbour\\PILOT', false)`, true},
		{`class_exists("Harbour\Pilot", false)`, true},
		{`class_exists('Harbour\Pilot')`, false}, // loads it
		{`$this->assertTrue(interface_exists('Contract', false));`, false},
		{`class_exists('Contract', false) || class_exists($name, false);`, true},
		{`class_exists('Contract' . $name, false)`, true},
		{`get_declared_classes()`, true},
		{`spl_autoload_functions()`, true},
		{`class_exists($name)`, false},
	} {
		if got := asksWhatIsLoaded([]byte("<?php "+c.text+";"), declared); got != c.want {
			t.Errorf("%s: %v", c.text, got)
		}
	}
}
