package station

import (
	"dwindle/collector/influx/mirror"
	"dwindle/collector/influx/query"
	"dwindle/config"
)

// influxSource opens InfluxDB, as the site file names it.
func influxSource(site *config.Site) (mirror.Source, error) {
	r, err := query.New(query.Options{Server: site.Influx(), Site: site.ID})
	if err != nil {
		return nil, err
	}
	return mirror.InfluxDB(r), nil
}
