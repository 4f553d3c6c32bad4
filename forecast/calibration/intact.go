package calibration

// Intact says whether a table that was learned still is what its version names:
// the version carries a mark of the content, so that damage shows, and that a
// program of another form wrote it.
func (t *Table) Intact() bool {
	again := *t
	return again.named().Version == t.Version
}
