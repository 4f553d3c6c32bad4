// Package parquet writes a table of the dictionary as an Apache Parquet file.
//
// It is a package of its own because its library is the heaviest that the
// program links; it imports the dictionary and dates, nothing else of ours. Rows are
// gathered in row groups of bounded size and written as they fill, so memory does
// not grow with the table, but for the footer, which grows by some kilobytes per
// row group. Start with [New].
package parquet

import (
	"fmt"
	"io"
	"reflect"
	"slices"
	"strings"
	"time"
	"unsafe"

	pq "github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/zstd"

	"dwindle/config/civil"
	"dwindle/forecast/export"
)

// Bounds of what is held in memory. Readers work on whole row groups and skip
// those that cannot match, so small ones cost them little.
const (
	// GroupRows is how many rows a row group has at most.
	GroupRows = 1 << 16
	// groupBytes is how much text and lists a row group has at most, give or
	// take a batch.
	groupBytes = 32 << 20
	// batchRows is how many rows are handed to the library at once.
	batchRows = 1 << 10
	// dictionaryBytes is how large the distinct texts of a column may grow in a
	// row group; beyond, they are written as they come.
	dictionaryBytes = 1 << 20
)

// Property is a key and value of the file's metadata.
type Property struct{ Key, Value string }

// Sink is the table being written.
type Sink struct {
	w       *pq.GenericWriter[any]
	out     *failing
	table   export.Table
	columns []column
	next    int // column of the next cell
	batch   int // rows gathered
	rows    int // of the row group
	bytes   int // of texts in the row group
	err     error
}

// column gathers the cells of one column.
type column struct {
	index  int
	level  int // the definition level of a value: 1 where there may be none, else 0
	to     *pq.ColumnWriter
	values []pq.Value
}

// New begins a file. The properties go into its metadata; version is that of the
// program.
func New(w io.Writer, table export.Table, version string, properties []Property) *Sink {
	out := &failing{w: w}
	options := []pq.WriterOption{
		pq.NewSchema(table.Name, group(table)),
		pq.CreatedBy("dwindle", version, ""),
		pq.Compression(&zstd.Codec{Level: zstd.SpeedFastest, Concurrency: 1}),
		pq.DictionaryMaxBytes(dictionaryBytes),
	}
	for _, p := range properties {
		options = append(options, pq.KeyValueMetadata(p.Key, p.Value))
	}
	s := &Sink{w: pq.NewGenericWriter[any](out, options...), out: out, table: table}
	for i, c := range s.w.ColumnWriters() {
		level := 0
		if table.Columns[i].Empty != "" {
			level = 1
		}
		s.columns = append(s.columns, column{index: i, level: level, to: c, values: make([]pq.Value, 0, batchRows)})
	}
	return s
}

// group is the schema, its columns in the order of the dictionary.
func group(table export.Table) pq.Node {
	g := ordered{Group: pq.Group{}}
	for _, c := range table.Columns {
		n := node(c.Type)
		if c.Empty != "" {
			n = pq.Optional(n)
		}
		g.Group[c.Name] = n
		g.names = append(g.names, c.Name)
	}
	return g
}

// node is how a type is kept. Texts repeat; times and counts differ little from
// row to row.
func node(t export.Type) pq.Node {
	switch t {
	case export.NumberType:
		return pq.Leaf(pq.DoubleType)
	case export.CountType:
		return pq.Encoded(pq.Leaf(pq.Int64Type), &pq.DeltaBinaryPacked)
	case export.TruthType:
		return pq.Leaf(pq.BooleanType)
	case export.InstantType:
		return pq.Encoded(pq.Timestamp(pq.Millisecond), &pq.DeltaBinaryPacked)
	case export.DateType:
		return pq.Encoded(pq.Date(), &pq.DeltaBinaryPacked)
	case export.ListType:
		return pq.List(pq.Encoded(pq.String(), &pq.RLEDictionary))
	}
	return pq.Encoded(pq.String(), &pq.RLEDictionary)
}

// ordered is a group whose fields keep their order; the library's own sorts them
// by name.
type ordered struct {
	pq.Group
	names []string
}

// Fields gives the columns in order.
func (g ordered) Fields() []pq.Field {
	fields := g.Group.Fields()
	slices.SortFunc(fields, func(a, b pq.Field) int {
		return slices.Index(g.names, a.Name()) - slices.Index(g.names, b.Name())
	})
	return fields
}

// GoType is asked for and never used: cells come one by one.
func (g ordered) GoType() reflect.Type { return g.Group.GoType() }

func (s *Sink) put(v pq.Value) {
	if s.next < len(s.columns) {
		c := &s.columns[s.next]
		c.values = append(c.values, v.Level(0, c.level, c.index))
	}
	s.next++
}

// None says that a cell has no value.
func (s *Sink) None() {
	if s.next < len(s.columns) {
		c := &s.columns[s.next]
		if c.level == 0 && s.err == nil {
			s.err = fmt.Errorf("export %s: column %s must have a value", s.table.Name, s.table.Columns[s.next].Name)
		}
		c.values = append(c.values, pq.NullValue().Level(0, 0, c.index))
	}
	s.next++
}

// Text writes a text. A STRING is UTF-8, and readers refuse whole files for one
// that is not.
func (s *Sink) Text(t string) {
	t = strings.ToValidUTF8(t, "\uFFFD")
	s.bytes += len(t)
	s.put(pq.ByteArrayValue(bytesOf(t)))
}

// Number writes a quantity.
func (s *Sink) Number(f float64) { s.put(pq.DoubleValue(f)) }

// Count writes an exact number.
func (s *Sink) Count(n int64) { s.put(pq.Int64Value(n)) }

// Truth writes true or false.
func (s *Sink) Truth(b bool) { s.put(pq.BooleanValue(b)) }

// Instant writes a time, cut to the millisecond before it.
func (s *Sink) Instant(t time.Time) { s.put(pq.Int64Value(t.UnixMilli())) }

// Date writes a civil date: days since 1970-01-01.
func (s *Sink) Date(d civil.Date) { s.put(pq.Int32Value(int32(d))) }

// List writes a list of texts.
func (s *Sink) List(list []string) {
	if s.next < len(s.columns) {
		c := &s.columns[s.next]
		if len(list) == 0 {
			c.values = append(c.values, pq.NullValue().Level(0, c.level, c.index))
		}
		again := 0
		for _, t := range list {
			t = strings.ToValidUTF8(t, "\uFFFD")
			s.bytes += len(t)
			c.values = append(c.values, pq.ByteArrayValue(bytesOf(t)).Level(again, c.level+1, c.index))
			again = 1
		}
	}
	s.next++
}

// bytesOf lends a text's bytes to the library, which only reads them.
func bytesOf(t string) []byte { return unsafe.Slice(unsafe.StringData(t), len(t)) }

// EndRow ends a row.
func (s *Sink) EndRow() error {
	if s.next != len(s.columns) && s.err == nil {
		s.err = fmt.Errorf("export %s: a row of %d cells for %d columns", s.table.Name, s.next, len(s.columns))
	}
	s.next = 0
	s.batch++
	if s.batch >= batchRows {
		s.hand()
	}
	if s.rows >= GroupRows || s.bytes >= groupBytes {
		s.hand()
		s.flush()
	}
	return s.err
}

// hand hands the gathered cells to the library.
func (s *Sink) hand() {
	for i := range s.columns {
		c := &s.columns[i]
		if len(c.values) == 0 {
			continue
		}
		if s.err == nil {
			_, err := c.to.WriteRowValues(c.values)
			s.fail(err)
		}
		clear(c.values) // no text is kept alive
		c.values = c.values[:0]
	}
	s.rows += s.batch
	s.batch = 0
}

// flush writes the row group.
func (s *Sink) flush() {
	if s.err == nil {
		s.fail(s.w.Flush())
	}
	s.rows, s.bytes = 0, 0
}

func (s *Sink) fail(err error) {
	if err == nil {
		err = s.out.err
	}
	if err != nil && s.err == nil {
		s.err = fmt.Errorf("write a table: %w", err)
	}
}

// Close writes the last row group and the footer. A table without rows is a file
// with a schema.
func (s *Sink) Close() error {
	s.hand()
	if s.err == nil {
		s.fail(s.w.Close())
	}
	return s.err
}

// failing remembers that a write failed.
type failing struct {
	w   io.Writer
	err error
}

func (f *failing) Write(p []byte) (int, error) {
	if f.err != nil {
		return 0, f.err
	}
	n, err := f.w.Write(p)
	f.err = err
	return n, err
}
