package config

// checker finds what is wrong or doubtful in a decoded site.
type checker struct {
	*document
	s        *Site
	warnings []Fault
}

func check(s *Site, doc *document) *checker {
	c := &checker{document: doc, s: s}
	return c
}
