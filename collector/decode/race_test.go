//go:build race

package decode

// The race detector lets a pool forget a part of what it holds, at random, so
// that a regular expression now and then gets a machine of its own: its runs
// tell whether what is allocated grows with the payload, not by how much.
const allocationSlack = 16
