package suspicion

import (
	"fmt"
	"math"
)

// state takes the run state and compares what it says with the hour counter.
func (w *Watch) state(t int64, on bool) {
	s := &w.s
	if s.StateT != 0 && t <= s.StateT {
		return
	}
	if h := float64(t-s.StateT) / msPerHour; s.StateT != 0 && h <= 6 {
		s.KnownHours += h
		if s.On {
			s.StateHours += h
		}
	}
	s.On, s.StateT = on, t
	if !s.Channels[0].Has && !s.Channels[1].Has {
		s.KnownHours, s.StateHours, s.CountHours = 0, 0, 0
	}
	if s.KnownHours < judgeHours {
		return
	}
	ran, counted := s.StateHours, s.CountHours
	evidence := fmt.Sprintf("in %.0f h the run state gives %.1f h, the counter %.2f h", s.KnownHours, ran, counted)
	f, near := 0.0, false
	if counted > 0 && ran >= fasterLeast*counted {
		f, near = nearest(ran / counted)
	} else if ran > 0 && counted >= fasterLeast*ran {
		f, near = nearest(counted / ran)
	}
	switch apart := math.Abs(ran - counted); {
	case near && s.Open[Unit] == 0:
		words := fmt.Sprintf("the hour counter is %s times as slow as the run state", short(f))
		if counted > ran {
			words = fmt.Sprintf("the hour counter is %s times as fast as the run state", short(f))
		}
		w.open(Unit, byState, t, func() (string, string) { return words + guessSlow(f, counted < ran), evidence })
	case near:
	case apart > max(1, 0.5*max(ran, counted)):
		words := "the run signal says running while the hour counter stands nearly still"
		if counted > ran {
			words = "the hour counter moves on while the run signal says stopped"
		}
		w.open(Disagrees, byState, t, func() (string, string) { return words, evidence })
		w.clear(Unit, byState, t)
	case apart <= max(1, 0.2*max(ran, counted)):
		w.clear(Disagrees, byState, t)
		w.clear(Unit, byState, t)
	}
	s.KnownHours, s.StateHours, s.CountHours = s.KnownHours/2, ran/2, counted/2
}

func guessSlow(f float64, slow bool) string {
	if slow && f == 24 {
		return ": days in a field of hours?"
	}
	return ": is its unit wrong?"
}
