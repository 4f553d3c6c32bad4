//go:build !race

package decode

const allocationSlack = 1
