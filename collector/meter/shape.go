package meter

// piece is a stretch of time with what the run state says of it. Pieces follow
// each other; short ones are joined, so a piece may hold running, stopped and
// unseen time together.
type piece struct {
	From, To int64 // ms
	Ran      int64 // ms of it running
	Known    int64 // ms of it with known state, Ran included
}

func (p piece) length() int64 { return p.To - p.From }

// maxPieces bounds what is remembered while a counter's next reading is
// awaited; beyond it the shortest neighbours are joined.
const maxPieces = 64

// shape collects pieces in order.
type shape []piece

// push appends a piece and joins it to the last one where both are alike or
// one is shorter than the debounce time. Joining never changes the run time.
func (s shape) push(p piece, debounce int64) shape {
	if p.length() <= 0 {
		return s
	}
	if n := len(s); n > 0 && s[n-1].To == p.From {
		last := &s[n-1]
		short := (last.length() < debounce || p.length() < debounce) && last.whole() && p.whole()
		if short || last.alike(p) {
			last.To, last.Ran, last.Known = p.To, last.Ran+p.Ran, last.Known+p.Known
			return s
		}
	}
	if len(s) >= maxPieces {
		s = s.join()
	}
	return append(s, p)
}

// whole says that the state is known for all of the piece.
func (p piece) whole() bool { return p.Known == p.length() }

// alike says that two pieces are wholly running, wholly stopped or wholly
// unseen.
func (p piece) alike(q piece) bool {
	pure := func(x piece) bool { return x.Known == 0 || x.whole() && (x.Ran == 0 || x.Ran == x.length()) }
	return pure(p) && pure(q) && (p.Known == 0) == (q.Known == 0) && (p.Ran == 0) == (q.Ran == 0)
}

// join joins the two neighbours that are shortest together.
func (s shape) join() shape {
	best := 0
	for i := range len(s) - 1 {
		if s[i+1].To-s[i].From < s[best+1].To-s[best].From {
			best = i
		}
	}
	a, b := s[best], s[best+1]
	// A stretch between two pieces that no piece covers is unseen.
	s[best] = piece{a.From, b.To, a.Ran + b.Ran, a.Known + b.Known}
	return append(s[:best+1], s[best+2:]...)
}

// cut gives the part of a piece before a time, in proportion.
func (p piece) cut(to int64) (before, after piece) {
	switch {
	case to <= p.From:
		return piece{From: p.From, To: p.From}, p
	case to >= p.To:
		return p, piece{From: p.To, To: p.To}
	}
	share := float64(to-p.From) / float64(p.length())
	before = piece{p.From, to, int64(share * float64(p.Ran)), int64(share * float64(p.Known))}
	before.Known = max(before.Known, before.Ran)
	after = piece{to, p.To, p.Ran - before.Ran, p.Known - before.Known}
	after.Known = min(after.Known, after.length())
	after.Ran = min(after.Ran, after.Known)
	return before, after
}
