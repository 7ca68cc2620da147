package mutate

import (
	"strings"
	"testing"

	"assay/mutate/syntax"
)

// observedIn gives the text of a method's body with an edit observed in it; the edit is
// between « and ».
func observedIn(t *testing.T, body, change string) string {
	t.Helper()
	before, rest, _ := strings.Cut(body, "«")
	old, after, _ := strings.Cut(rest, "»")
	const head = "<?php class C { function m() {"
	text := head + before + old + after + "} }"
	f, err := syntax.Parse("f.php", []byte(text))
	if err != nil || len(f.Damage) > 0 {
		t.Fatalf("%s: %v, %v", text, err, f.Damage)
	}
	src := &Source{Path: "f.php", Text: []byte(text)}
	points := Layout(f, src, 1)
	m := &Mutant{Source: src, Edit: Edit{Span: syntax.Span{Start: len(head) + len(before), End: len(head) + len(before) + len(old)}, New: change}}
	points.Locate(f, m)
	seen := points.Observe([]Numbered{{m, 7}})
	if (seen.Sites[7] == 7) != strings.Contains(string(seen.Text), observerClass) {
		t.Errorf("%s: sites %v in %s", body, seen.Sites, seen.Text)
	}
	_, got, _ := strings.Cut(string(seen.Text), "['f.php']=1;")
	got = strings.ReplaceAll(strings.TrimSuffix(got, "} }"), observerClass, "")
	return strings.NewReplacer("site(7)", "7", "isset($off[7])?null:", "").Replace(got)
}

// TestObserve: which expression is observed, and what is evaluated once for it. "" where
// the mutant cannot be observed.
func TestObserve(t *testing.T) {
	for _, c := range []struct{ body, change, want string }{
		{"return $a «+» 1;", "-", "return value(7,$a + 1,[7=>fn()=>$a - 1,]);"},
		{"if ($a «>» 1) {}", ">=", "if (truth(7,$a > 1,[7=>fn()=>loosely($a ,'>=', 1),])) {}"},
		{"while ($a «&&» $b) {}", "||", "while (truth(7,$a && $b,[7=>fn()=>$a || $b,])) {}"},
		{"for (; $i «<» 3;) {}", "<=", "for (;truth(7,$i < 3,[7=>fn()=>loosely($i ,'<=', 3),]);) {}"},
		{"return $a ? «1» : 2;", "0", "return value(7,$a ? 1 : 2,[7=>fn()=>$a ? 0 : 2,]);"},
		{"return strlen($a «.» 'x') > 3;", "", ""}, // no expression is left
		{"return strlen(«$a . 'x'») > 3;", "$a", "return value(7,strlen($a . 'x') > 3,[7=>fn()=>loosely(strlen($a) ,'>', 3),]);"},
		// What has an effect is evaluated once, with what comes before it.
		{"return $this->f() «+» 1;", "-", "return valueOf(7,[$this->f(),],fn($assay0)=>$assay0 + 1,[7=>fn($assay0)=>$assay0 - 1,]);"},
		{"return $this->a «+» $this->f();", "-", "return valueOf(7,[$this->a,$this->f(),],fn($assay0,$assay1)=>$assay0 + $assay1,[7=>fn($assay0,$assay1)=>$assay0 - $assay1,]);"},
		{"return $a «+» $this->f();", "-", "return valueOf(7,[$this->f(),],fn($assay0)=>$a + $assay0,[7=>fn($assay0)=>$a - $assay0,]);"}, // PHP reads $a last
		// What comes behind the change must have none.
		{"return $a «+» 1 > $this->f();", "-", "return value(7,$a + 1,[7=>fn()=>$a - 1,]) > $this->f();"},
		{"return ($a «+» 1) * f();", "-", "return value(7,($a + 1),[7=>fn()=>($a - 1),]) * f();"},
		{"return f() «&» g();", "&&", ""}, // would not always evaluate g()
		{"return f() «&&» g();", "||", ""},
		{"return f() «&&» $b;", "||", "return valueOf(7,[f(),],fn($assay0)=>$assay0 && $b,[7=>fn($assay0)=>$assay0 || $b,]);"},
		{"return «f($a)»;", "$a", ""},   // f() would not be called
		{"return «$a»;", "f($a)", ""},   // or would
		{"return «$a»;", "$a = 1", ""},  // or a variable be written to
		{"return «new A»;", "null", ""}, // a constructor
		// Calls of others take references, perhaps; those of PHP's own are known.
		{"f(«$a»);", "$b", ""},
		{"f($a[«1»]);", "2", "f($a[value(7,1,[7=>fn()=>2,])]);"},
		{"f($a «+» 1);", "-", "f(value(7,$a + 1,[7=>fn()=>$a - 1,]));"},
		{"return in_array($a, «$b»);", "[]", ""}, // PHP may look into what has no end
		{"return in_array($a, «$b», true);", "[]", "return value(7,in_array($a, $b, true),[7=>fn()=>in_array($a, [], true),]);"},
		{"return count($this->f()) «>» 1;", ">=", "return valueOf(7,[count($this->f()),],fn($assay0)=>$assay0 > 1,[7=>fn($assay0)=>loosely($assay0 ,'>=', 1),]);"},
		{"return count($this->f($a «+» 1)) > 1;", "-", "return count($this->f(value(7,$a + 1,[7=>fn()=>$a - 1,]))) > 1;"},
		{"return ltrim($this->f(), «'a'»);", "'b'", "return valueOf(7,[$this->f(),],fn($assay0)=>ltrim($assay0, 'a'),[7=>fn($assay0)=>ltrim($assay0, 'b'),]);"},
		// Where variables are looked for or written to.
		{"return isset($a[«1»]);", "2", "return value(7,isset($a[1]),[7=>fn()=>isset($a[2]),]);"},
		{"return isset($a[$this->f()][«1»]);", "2", "return isset($a[$this->f()][value(7,1,[7=>fn()=>2,])]);"},
		{"return $a[«1»] ?? 2;", "3", "return value(7,$a[1] ?? 2,[7=>fn()=>$a[3] ?? 2,]);"},
		{"$a[«1»] = 2;", "3", "$a[value(7,1,[7=>fn()=>3,])] = 2;"},
		{"[$a, «$b»] = $c;", "$d", ""},
		{"$a = &$b[«1»];", "2", "$a = &$b[value(7,1,[7=>fn()=>2,])];"},
		{"foreach ($a as $b[«1»]) {}", "2", "foreach ($a as $b[value(7,1,[7=>fn()=>2,])]) {}"},
		{"unset($a[«1»]);", "2", "unset($a[value(7,1,[7=>fn()=>2,])]);"},
		{"static $a = «1»;", "2", ""},
		{"$f = fn ($a = «1») => 2;", "2", ""},
		{"return \"a{$b[«1»]}\";", "2", ""},
		{"return __FUNCTION__ . «'a'»;", "''", "return valueOf(7,[__FUNCTION__,],fn($assay0)=>$assay0 . 'a',[7=>fn($assay0)=>$assay0 . '',]);"},
		// Nothing is put together in another way than in the mutant.
		{"return $a - $b «*» $c;", "+", "return value(7,$a - $b * $c,[7=>fn()=>$a - $b + $c,]);"},
		{"return f() < $b «*» $c || g();", "+", "return truthOf(7,[f(),],fn($assay0)=>$assay0 < $b * $c,[7=>fn($assay0)=>loosely($assay0 ,'<', $b + $c),]) || g();"},
		{"return$a«+»1;", "-", "return value(7,$a+1,[7=>fn()=>$a-1,]);"},
		{"return [\n$a,\n$b «+» 1];", "-", "return value(7,[\n$a,\n$b + 1],[7=>fn()=>[ $a, $b - 1],]);"},
		{"$f = fn () => $a «+» 1;", "-", "$f = fn () =>value(7,$a + 1,[7=>fn()=>$a - 1,]);"},
		// What an assignment would leave as it is can be left out.
		{"«$a = $b + 1;»", ";", "$a =value(7,$b + 1,[7=>fn()=>$a,]);"},
		{"«$this->a = 1;»", "", "$this->a =value(7,1,[7=>fn()=>property(__CLASS__,'a',$this->a),]);"},
		{"«$a['k'][$i] = 1;»", "", "$a['k'][$i] =value(7,1,[7=>fn()=>elements(elements($a)['k'])[$i],]);"},
		{"«$a[] = 1;»", "", ""},
		{"«$b->a = 1;»", "", ""}, // an object may do anything then
		{"«$a = f();»", "", ""},
		{"«$a = &$b;»", "", ""},
		{"if ($c) «$a = 1;»", "{}", ""},
		// Functions of regular expressions have an error of their own, and matches.
		{"return preg_match('/«^»a/', $a);", "", "return value(7,preg_match('/^a/', $a),[7=>fn()=>search('preg_match','/a/', $a),]);"},
		{"if (\\preg_match('/a«+»/', $a, $m, 0, 3)) {}", "*", "if (value(7,\\preg_match('/a+/', $a, $m, 0, 3),[7=>fn()=>matches('\\\\preg_match','/a*/', $a, $m, 0, 3),])) {}"},
		{"return preg_replace('/«^»a/', 'b', $a) . f();", "", "return value(7,preg_replace('/^a/', 'b', $a),[7=>fn()=>search('preg_replace','/a/', 'b', $a),]) . f();"},
		{"return preg_replace('/«^»a/', 'b', $a, 1, $n);", "", "return preg_replace(value(7,'/^a/',[7=>fn()=>'/a/',]), 'b', $a, 1, $n);"},
		{"preg_match_all('/«^»a/', $a, $m);", "", "value(7,preg_match_all('/^a/', $a, $m),[7=>fn()=>matches('preg_match_all','/a/', $a, $m),]);"},
		{"return preg_match('/«^»a/', $m[0], $m);", "", "return preg_match(value(7,'/^a/',[7=>fn()=>'/a/',]), $m[0], $m);"}, // what it searches would be gone
		{"return preg_match('/«^»a/', f(), $m);", "", "return preg_match(value(7,'/^a/',[7=>fn()=>'/a/',]), f(), $m);"},
	} {
		got := observedIn(t, c.body, c.change)
		want := c.want
		if want == "" {
			want = strings.NewReplacer("«", "", "»", "").Replace(c.body)
		}
		if strings.ReplaceAll(got, " ", "") != strings.ReplaceAll(want, " ", "") {
			t.Errorf("%s %q:\n got %s\nwant %s", c.body, c.change, got, want)
		}
	}
}
