package simulate

import "dwindle/config"

// areas of the plant, with the weeks between visits.
var areas = [...]struct {
	id, name string
	weeks    int
}{
	{"quay", "Quay", 2},
	{"intake", "Truck and rail intake", 4},
	{"tower", "Silo tower", 2},
	{"cleaning", "Cleaning house", 4},
}

// mould is a kind of machine, repeated until there are enough points.
type mould struct {
	id, name    string
	area        int
	use         pattern
	signal      signal
	criticality config.Criticality
	reservoir   int
	points      []place
}

type place struct{ id, name, location string }

var headAndBoot = []place{
	{"head", "head shaft bearing", "head platform, drive side"},
	{"boot", "boot shaft bearing", "boot pit, behind the guard"},
}
var headAndTail = []place{
	{"head", "head drum bearing", "discharge end, walkway"},
	{"tail", "tail drum bearing", "feed end, ground level"},
}
var fanEnds = []place{
	{"drive", "drive-side bearing", "fan base, belt guard side"},
	{"free", "free-side bearing", "fan base, inlet side"},
}
var screenEnds = []place{
	{"left", "left eccentric bearing", "screen deck, left"},
	{"right", "right eccentric bearing", "screen deck, right"},
}
var gearRack = []place{{"rack", "gate rack", "below the hopper, from the ladder"}}

var moulds = []mould{
	{"elev-t", "Tower bucket elevator", 2, twoShifts, hoursAndState, "A", 1, headAndBoot},
	{"screen-c", "Drum screen", 3, twoShifts, hoursOnly, "B", 1, screenEnds},
	{"chain-i", "Intake chain conveyor", 1, oneShift, hoursOnly, "A", 1, headAndTail},
	{"unload-q", "Ship unloader conveyor", 0, campaigns, hoursAndState, "A", 2, headAndTail},
	{"fan-t", "Aeration fan", 2, roundTheClock, secondsOnly, "B", 2, fanEnds},
	{"gate-i", "Intake hopper gate", 1, noRun, hoursOnly, "C", 0, gearRack},
	{"belt-t", "Tower belt conveyor", 2, twoShifts, stateOnly, "B", 1, headAndTail},
	{"fan-c", "Dust fan", 3, roundTheClock, hoursOnly, "B", 2, fanEnds},
	{"elev-i", "Intake bucket elevator", 1, oneShift, hoursAndState, "B", 0, headAndBoot},
	{"belt-q", "Quay belt conveyor", 0, campaigns, hoursOnly, "B", 1, headAndTail},
	{"gate-t", "Silo outlet gate", 2, noRun, hoursOnly, "C", 0, gearRack},
	{"elev-c", "Cleaning bucket elevator", 3, twoShifts, hoursOnly, "B", 1, headAndBoot},
	{"fan-i", "Intake dust fan", 1, oneShift, hoursOnly, "C", 0, fanEnds},
	{"belt-u", "Load-out belt conveyor", 2, oneShift, stateOnly, "B", 0, headAndTail},
	{"chain-c", "Screenings chain conveyor", 3, oneShift, hoursOnly, "C", 0, headAndTail},
	{"fan-q", "Quay dust fan", 0, campaigns, hoursOnly, "C", 0, fanEnds},
}
