package reading

import "dwindle/config/civil"

// Digest is what somebody made of the daily figures of a device up to a day, so
// that they need not be gone through again. Only who made it can read it.
type Digest struct {
	Day  civil.Date // the last one that is in it
	Mark uint64     // what else it rests on
	Body []byte
}
