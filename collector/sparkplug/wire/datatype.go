package wire

import "fmt"

// Datatype is what a metric's value is. 0 is none: the birth message says it.
type Datatype uint32

// The datatypes. Those from Int8Array to DateTimeArray are lists.
const (
	NoDatatype Datatype = iota
	Int8
	Int16
	Int32
	Int64
	UInt8
	UInt16
	UInt32
	UInt64
	Float
	Double
	Boolean
	String
	DateTime // ms since 1970 UTC
	Text
	UUID
	DataSet
	Bytes
	File
	Template
	PropertySet
	PropertySetList
	Int8Array
	Int16Array
	Int32Array
	Int64Array
	UInt8Array
	UInt16Array
	UInt32Array
	UInt64Array
	FloatArray
	DoubleArray
	BooleanArray
	StringArray
	DateTimeArray
	datatypes // how many there are
)

var datatypeNames = [datatypes]string{
	"none", "Int8", "Int16", "Int32", "Int64", "UInt8", "UInt16", "UInt32", "UInt64", "Float", "Double", "Boolean",
	"String", "DateTime", "Text", "UUID", "DataSet", "Bytes", "File", "Template", "PropertySet", "PropertySetList",
	"Int8Array", "Int16Array", "Int32Array", "Int64Array", "UInt8Array", "UInt16Array", "UInt32Array", "UInt64Array",
	"FloatArray", "DoubleArray", "BooleanArray", "StringArray", "DateTimeArray",
}

// String gives the name that the specification uses.
func (d Datatype) String() string {
	if d < datatypes {
		return datatypeNames[d]
	}
	return fmt.Sprintf("datatype %d", uint32(d))
}

// Unreadable says why the value of a metric is not used.
type Unreadable string

// Error implements error.
func (u Unreadable) Error() string { return string(u) }

// bits is the width of a whole number, and whether it has a sign.
func (d Datatype) bits() (width uint, signed bool) {
	switch d {
	case Int8, UInt8:
		width = 8
	case Int16, UInt16:
		width = 16
	case Int32, UInt32:
		width = 32
	case Int64, UInt64, DateTime:
		width = 64
	}
	return width, d <= Int64
}

// Integer gives the number that a whole-number datatype or DateTime holds.
// Signed numbers travel as two's complement in fields without a sign, of 32
// or 64 bits, and encoders differ in how far they extend the sign and in the
// field they choose for UInt32: what has one meaning is read.
//
// A signed one is in n, any other in u.
func (m Metric) Integer() (n int64, u uint64, err error) {
	width, signed := m.Datatype.bits()
	if width == 0 {
		return 0, 0, Unreadable("is " + m.Datatype.String() + ", no whole number")
	}
	u = m.Value.Bits
	carried := uint(32)
	switch m.Value.Field {
	case IntField:
	case LongField:
		carried = 64
	default:
		return 0, 0, Unreadable("is " + m.Datatype.String() + " and does not carry a whole number")
	}
	outside := Unreadable(fmt.Sprintf("%d does not fit into %s", u, m.Datatype))
	if !signed {
		if width < 64 && u>>width != 0 {
			return 0, 0, outside
		}
		return 0, u, nil
	}
	switch {
	case width > carried:
		// Int64 in 32 bits: the sign has been lost if there was one.
		if u>>31 != 0 {
			return 0, 0, outside
		}
		return int64(u), 0, nil
	case width == 64:
		return int64(u), 0, nil
	case u>>width == 0: // two's complement of the datatype's own width
		return int64(u<<(64-width)) >> (64 - width), 0, nil
	}
	// Two's complement of 32 or 64 bits.
	n = int64(u<<(64-carried)) >> (64 - carried)
	if carried == 64 && u>>32 == 0 {
		n = int64(int32(uint32(u)))
	}
	if n >= 0 || n < -1<<(width-1) {
		return 0, 0, outside
	}
	return n, 0, nil
}
