package simulate

import "fmt"

// SiteYAML is the site file's text, ready for config.Load.
func (p *Plant) SiteYAML() ([]byte, error) {
	text, err := p.site.Marshal()
	if err != nil {
		return nil, fmt.Errorf("writing the site file of the simulated plant: %w", err)
	}
	head := fmt.Sprintf("# A made-up riverside grain terminal, written by the simulated plant (seed %d).\n", p.opt.Seed)
	return append([]byte(head), text...), nil
}
