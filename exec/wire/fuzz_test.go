package wire

import "testing"

// FuzzMessages: whatever a line holds, reading it as any message does not panic.
func FuzzMessages(f *testing.F) {
	for _, line := range []string{
		`["hello",1,8]`, `["ran",[-2,100],"A::b"]`, `["event",1,"failed",true,"text","A::b"]`, `["part",0,{"a":["v","s","k"]},{"1":"x"}]`,
		`["suite",["a.php"],[["A::b","A","b",[],"a.php","",""]],[["test",0,"A"]],{"time_limit":false},"9.6",{"0":[]},[],{"*":{"1":true}}]`,
		`["segment",1,2,3,["1,2","3,4"],["a.php"],{},[],{},[],""]`, `["at",3,{},""]`, `["done",1,"128M",[],[["A","a.php"]]]`, `["values",[1,1],["true","\u0000J/8="]]`, `[]`, `[null]`, `["suite",null]`,
	} {
		f.Add([]byte(line))
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		m, err := Parse(line)
		if err != nil {
			return
		}
		for i := range 4 {
			m.Number(i)
			m.Text(i)
		}
		ReadSuite(m)
		ReadSegment(m)
		ReadEvent(m)
		ReadValues(m)
		var k int
		var changes Changes
		var held map[int]string
		m.Read(&k, &changes, &held)
		var list []int64
		var name string
		m.Read(&list, &name)
	})
}
