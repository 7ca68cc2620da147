package testcode

import (
	"math"

	"assay/mutate"
)

func made(class, into string, args ...mutate.Value) mutate.Call {
	return mutate.Call{Kind: mutate.CallNew, Class: class, Args: arguments(args...), Into: into}
}

func called(on, class, name string, args ...mutate.Value) mutate.Call {
	return mutate.Call{Kind: mutate.CallMethod, On: on, Class: class, Name: name, Args: arguments(args...)}
}

func static(class, name string, args ...mutate.Value) mutate.Call {
	return mutate.Call{Kind: mutate.CallStatic, Class: class, Name: name, Args: arguments(args...)}
}

func function(name string, args ...mutate.Value) mutate.Call {
	return mutate.Call{Kind: mutate.CallFunction, Name: name, Args: arguments(args...)}
}

func finding(from string, look mutate.Look, calls ...mutate.Call) mutate.Finding {
	return mutate.Finding{From: mutate.TestID(from), Looks: []mutate.Look{look}, Calls: calls}
}

func result(v mutate.Value, path ...mutate.Access) mutate.Look {
	return mutate.Look{Kind: mutate.LookResult, Original: mutate.Outcome{Value: v}, Mutant: mutate.Outcome{Value: null()}, Path: path}
}

func thrown(class, message string, code int64, mutant mutate.Outcome) mutate.Look {
	return mutate.Look{Kind: mutate.LookThrown, Original: mutate.Outcome{Thrown: true, Class: class, Message: message, Code: code}, Mutant: mutant}
}

func of(kind mutate.LookKind, argument int, v mutate.Value, path ...mutate.Access) mutate.Look {
	return mutate.Look{Kind: kind, Argument: argument, Original: mutate.Outcome{Value: v}, Mutant: mutate.Outcome{Value: null()}, Path: path}
}

func property(name string) mutate.Access {
	return mutate.Access{Kind: mutate.AccessProperty, Name: name}
}
func getter(name string) mutate.Access  { return mutate.Access{Kind: mutate.AccessMethod, Name: name} }
func at(key mutate.Value) mutate.Access { return mutate.Access{Kind: mutate.AccessKey, Key: key} }

const (
	lamp  = `Harbour\Lamp`
	tide  = `Harbour\Tide`
	buoy  = `Harbour\Buoy`
	shelf = `Library\Shelf`
)

// findings are those of each archive.
var findings = map[string][]mutate.Finding{
	"row": {
		finding(`Harbour\Tests\TideTest::testDepth#at noon`, result(number(12)), made(tide, "tide", number(10)),
			called("tide", tide, "depth", enum(`Harbour\Moon`, "Full"), object("DateTimeImmutable", text("2024-03-01")))),
		finding(`Harbour\Tests\TideTest::testAgain#1`, result(text("high")), static(tide, "name", number(99))),
		finding(`Harbour\Tests\TideTest::testOnOneLine#1`, result(text("high")), static(tide, "name", number(99))),
		finding(`Harbour\Tests\TideTest::testAssigned#1`, result(text("low")), static(tide, "name", number(7))),
		finding(`Harbour\Tests\TideTest::testYielded#deep`, result(text("high")), static(tide, "name", number(11))),
		finding(`Harbour\Tests\TideTest::testWithMore#0`, result(text("low")), static(tide, "name", number(7))),
	},
	"method": {
		finding(`Harbour\Tests\LampTest::testLit`, result(boolean(true)), made(lamp, "lamp", number(3)), called("lamp", lamp, "isLit", number(18))),
		finding(`Harbour\Tests\LampTest::testLit`, result(list(text("red"), text("green"))), made(lamp, "lamp", number(3)), called("lamp", lamp, "colours")),
		finding(`Harbour\Tests\LampTest::testLit`, thrown(`Harbour\NoOil`, "No oil.", 0, mutate.Outcome{Value: null()}), made(lamp, "lamp", number(0)), called("lamp", lamp, "light")),
		finding(`Harbour\Tests\LampTest::testLit`, thrown(`LogicException`, "bad", 3, mutate.Outcome{Thrown: true, Class: "LogicException", Message: "too bad"}), static(lamp, "fail", text("bad"))),
		finding(`Harbour\Tests\LampTest::testLit`, of(mutate.LookOutput, 0, text("flash\nflash\ndark\n")), made(lamp, "lamp", number(2)), called("lamp", lamp, "show")),
		finding(`Harbour\Tests\LampTest::testLit`, of(mutate.LookReceiver, 0, number(2), property("oil")), made(lamp, "lamp", number(3)), called("lamp", lamp, "light")),
		finding(`Harbour\Tests\LampTest::testLit`, of(mutate.LookArgument, 1, number(1), getter("oil")), made(lamp, "lamp", number(3)), made(lamp, "other", number(0)), called("lamp", lamp, "fill", number(1), variable("other"))),
		finding(`Harbour\Tests\LampTest::testLit`, mutate.Look{Kind: mutate.LookThrown, Mutant: mutate.Outcome{Thrown: true, Class: "TypeError"}}, made(lamp, "lamp", number(3)), called("lamp", lamp, "quiet")),
		finding(`Harbour\Tests\LampTest::testLit`, result(real(math.NaN())), static(lamp, "ratio", number(0))),
		finding(`Harbour\Tests\LampTest::testLit`, result(real(math.Inf(1))), static(lamp, "ratio", number(1))),
		finding(`Harbour\Tests\LampTest::testLit`, mutate.Look{Kind: mutate.LookResult, Original: mutate.Outcome{Class: lamp}, Path: []mutate.Access{{Kind: mutate.AccessClass}}}, static(lamp, "spare", number(0))),
		finding(`Harbour\Tests\LampTest::testLit`, result(text("red"), mutate.Access{Kind: mutate.AccessAll}, at(number(0))), made(lamp, "lamp", number(3)), called("lamp", lamp, "each")),
		finding(`Harbour\Tests\LampTest::testLit`, result(object("DateTimeImmutable", text("2024-01-01"))), static(lamp, "built", object(`DateTimeZone`, text("UTC")))),
		finding(`Harbour\Tests\LampTest::testLit`, result(text("The lamp at the end of the mole is out.\nThe keeper has been told.\nNobody knows why.")), static(lamp, "note", text("The lamp at the end of the mole is out."), text("The keeper has been told."), text("Nobody knows why."))),
		finding(`Harbour\Tests\LampTest::testLit`, result(number(3), property("oil")), made(lamp, "", number(3))),
		finding(`Harbour\Tests\LampTest::testLit`, result(number(5)), function(`Harbour\knots`, number(2), number(3))),
	},
	"attribute-snake": {
		finding(`Library\Tests\ShelfTest::it_holds_books`, result(table(text("a"), number(1), number(4), text("x"))), made(shelf, "shelf"), called("shelf", shelf, "count", list(text("Emma"), text("Ulysses")))),
		finding(`Library\Tests\ShelfTest::it_holds_books`, result(enum(`Library\Mood`, "Calm")), static(shelf, "mood", enum(`Library\Hall\Quiet`, "Very"))),
	},
	"annotation-crlf": {
		finding(`ShelfTest::holdsBooks`, result(list(text("Emma"), text("a\nb\nc"))), made("Shelf", "shelf"), called("shelf", "Shelf", "titles", list(text("Emma"), text("a\nb\nc")))),
	},
	"homes": {
		finding(`Harbour\Tests\PortTest::testBuoys`, result(list(number(1), number(2))), made(buoy, "buoy", text("North")), called("buoy", buoy, "marks", list(number(1), number(2)))),
		finding(`Harbour\Tests\PortTest::testBuoys`, result(list(number(3), number(4))), made(buoy, "buoy", text("North")), called("buoy", buoy, "marks", list(number(3), number(4)))),
		finding(`Harbour\Tests\PortTest::testBuoys`, result(list(number(1), number(2))), made(buoy, "buoy", text("North")), called("buoy", buoy, "marks", list(number(1), number(2)))),
		finding(`Harbour\Tests\PortTest::testBuoys`, result(number(59)), made(buoy, "buoy", text("North")),
			called("buoy", buoy, "since", object("DateTimeImmutable", text("2024-02-29 00:00:00"), object("DateTimeZone", text("UTC"))))),
	},
	"new-class": {
		finding(`Vendor\Base::testElsewhere`, result(number(4)), made(tide, "tide", number(4)), called("tide", tide, "height")),
	},
	"same-line": {
		finding(`BellTest::testRings`, result(number(-1)), made("Bell", "bell"), called("bell", "Bell", "ring", text(""))),
	},
}
