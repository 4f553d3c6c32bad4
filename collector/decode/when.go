package decode

import (
	"slices"
	"strconv"
)

// Which of the times in a message is that of a value.

// when is the time of an item: where the mapping says that it stands, else the
// item's own, else under a usual name, else the receive time.
func (rd *reader) when(it *item) (moment, *Kept) {
	if rd.rule.time == nil && it.when != nil {
		return rd.own(it), nil
	}
	if m, ok := rd.moments[it.part]; ok {
		return m, nil
	}
	m, kept := rd.messageTime(it.part)
	if kept != nil {
		return m, kept
	}
	if !m.fromDevice && m.raw == "" && it.when != nil {
		return rd.own(it), nil // what the mapping names is not there
	}
	rd.moments[it.part] = m
	return m, nil
}

// timeName says that a name is a usual one of a time and not that of a value.
func (rd *reader) timeName(name string) bool {
	return timeName(name) && !slices.ContainsFunc(rd.rule.values, func(v valueRule) bool { return v.from != nil && v.from.Match(name, nil) })
}

// own is the time that the form gives an item.
func (rd *reader) own(it *item) moment {
	m := *it.when
	if m.fromDevice {
		m.source = "the time of the form"
	}
	return m
}

// timeItems are where the times of the message and its parts stand.
type timeItems struct {
	field, base map[int]int // by part, index of the item
}

// look finds them in one go: a message may have very many parts.
func (rd *reader) look() *timeItems {
	if rd.times != nil {
		return rd.times
	}
	rd.times = &timeItems{map[int]int{}, map[int]int{}}
	t := rd.rule.time
	first := func(list map[int]int, i int) {
		if _, known := list[rd.items[i].part]; !known {
			list[rd.items[i].part] = i
		}
	}
	for i := range rd.items {
		name := rd.items[i].name
		switch {
		case t == nil:
			if rd.timeName(name) {
				first(rd.times.field, i)
				rd.used[i] = true
			}
			continue
		case t.field.Match(name, nil):
			first(rd.times.field, i)
			rd.used[i] = true
		}
		if t.base != nil && t.base.Match(name, nil) {
			first(rd.times.base, i)
			rd.used[i] = true
		}
	}
	return rd.times
}

// of is the item of a part, else that of the whole message.
func (rd *reader) of(list map[int]int, part int) *item {
	i, ok := list[part]
	if !ok {
		i, ok = list[0]
	}
	if !ok {
		return nil
	}
	return &rd.items[i]
}

// messageTime reads the time of a part of the message, else of the whole.
func (rd *reader) messageTime(part int) (moment, *Kept) {
	own := moment{at: rd.received}
	times := rd.look()
	t := rd.rule.time
	if t == nil {
		if it := rd.of(times.field, part); it != nil {
			m, ok := momentOf(&it.value, rd.received)
			if !ok {
				// The name was a guess, so this spoils nothing.
				own.raw = clip(string(it.value.raw))
				own.hint = "what stands under " + it.name + " is no time in a form that is read; the receive time was used; name the time in the mapping"
				return own, nil
			}
			return m.from(it.name), nil
		}
		return own, nil
	}
	it := rd.of(times.field, part)
	if it == nil {
		return own, nil
	}
	c := clock{unit: t.unit, zone: t.zone}
	if t.relative {
		c.from = rd.received
		if t.base != nil {
			base := rd.of(times.base, part)
			if base == nil {
				return own, nil
			}
			b, ok := clock{zone: t.zone}.read(&base.value, rd.received)
			if !ok || !b.fromDevice {
				return own, &Kept{Reason: BadTime, Detail: base.name + ": " + strconv.Quote(clip(string(base.value.raw))) + " is no time that others could count from"}
			}
			c.from = b.at
		}
	}
	m, ok := c.read(&it.value, rd.received)
	if !ok {
		return own, &Kept{Reason: BadTime, Detail: it.name + ": " + strconv.Quote(clip(string(it.value.raw))) + " is no time in a form that is read"}
	}
	m = m.from(it.name)
	if t.relative && t.base == nil {
		// As good as the receive time, and no better: of a message that the
		// broker replays nobody can say when it was true.
		m.fromDevice = false
	}
	return m, nil
}
