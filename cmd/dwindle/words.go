package main

import (
	"encoding/json"
	"fmt"
	"io"
	"time"

	"dwindle/config"
)

// siteTime shows an instant in the site's zone, with the offset.
func siteTime(site *config.Site, t time.Time) string {
	return t.In(site.Location()).Format("2 Jan 2006 15:04 (-07:00)")
}

// writeJSON writes a result for programs.
func writeJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	if err := enc.Encode(v); err != nil {
		return fmt.Errorf("write JSON: %w", err)
	}
	return nil
}
