package config

import "errors"

// Schema is the JSON Schema of a site file.
func Schema() ([]byte, error) { return nil, errors.New("not built yet") }
