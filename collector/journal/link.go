package journal

import (
	"context"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"sync"

	"modernc.org/sqlite"

	"dwindle/collector/reading"
	"dwindle/config/civil"
)

// link is a connection of a snapshot, with its statements ready. A forecast of
// the fleet reads a thousand rows for every point; asked through database/sql,
// locks, conversions and watching the context cost more than the rows, so a
// snapshot speaks with the driver itself.
type link struct {
	conn  driver.Conn
	stmts map[string]driver.StmtQueryContext
}

// links holds the connections that are not in use; room bounds all of them.
type links struct {
	dsn    string
	room   chan struct{}
	idle   chan *link
	closed chan struct{}
	once   sync.Once
}

func newLinks(dsn string) *links {
	return &links{dsn: dsn, room: make(chan struct{}, readers), idle: make(chan *link, readers), closed: make(chan struct{})}
}

// take gives a connection inside a new read transaction.
func (l *links) take(ctx context.Context) (*link, error) {
	select {
	case <-l.closed:
		return nil, errClosed
	default:
	}
	select {
	case l.room <- struct{}{}:
	case <-l.closed:
		return nil, errClosed
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	var k *link
	select {
	case k = <-l.idle:
	default:
		conn, err := (&sqlite.Driver{}).Open(l.dsn)
		if err != nil {
			<-l.room
			return nil, err
		}
		k = &link{conn: conn, stmts: map[string]driver.StmtQueryContext{}}
	}
	if err := k.run("BEGIN"); err != nil {
		<-l.room
		return nil, errors.Join(err, k.close())
	}
	return k, nil
}

// give takes a connection back and ends its transaction.
func (l *links) give(k *link) {
	defer func() { <-l.room }()
	if err := k.run("ROLLBACK"); err != nil { // nothing was written: only the connection is lost
		_ = k.close()
		return
	}
	select {
	case <-l.closed:
		_ = k.close()
		return
	default:
	}
	l.idle <- k // has room for all there are
}

// close closes what is not in use, and the rest when it is given back.
func (l *links) close() (err error) {
	l.once.Do(func() { close(l.closed) })
	for {
		select {
		case k := <-l.idle:
			err = errors.Join(err, k.close())
		default:
			return err
		}
	}
}

func (k *link) close() (err error) {
	for _, s := range k.stmts {
		err = errors.Join(err, s.(driver.Stmt).Close())
	}
	return errors.Join(err, k.conn.Close())
}

// run does what gives no rows.
func (k *link) run(text string) error {
	r, err := k.query(text, nil)
	if err != nil {
		return err
	}
	return r.Close()
}

// query asks. A statement can be asked again only when its rows are closed.
func (k *link) query(text string, args []any) (*rows, error) {
	s, ok := k.stmts[text]
	if !ok {
		made, err := k.conn.Prepare(text)
		if err != nil {
			return nil, err
		}
		if s, ok = made.(driver.StmtQueryContext); !ok {
			return nil, errors.Join(fmt.Errorf("driver of SQLite: %T cannot be asked", made), made.Close())
		}
		k.stmts[text] = s
	}
	values := make([]driver.NamedValue, len(args))
	for i, a := range args {
		if n, ok := a.(int); ok {
			a = int64(n)
		}
		values[i] = driver.NamedValue{Ordinal: i + 1, Value: a}
	}
	// The snapshot looks at its own context; with one that can end, the driver
	// would start a goroutine for each question.
	r, err := s.QueryContext(context.Background(), values)
	if err != nil {
		return nil, err
	}
	return &rows{r: r, row: make([]driver.Value, len(r.Columns()))}, nil
}

// rows are what a statement gives, one row at a time.
type rows struct {
	r      driver.Rows
	row    []driver.Value
	err    error
	closed bool
}

// Next goes to the next row; false at the end, see Err.
func (r *rows) Next() bool {
	if r.closed || r.err != nil {
		return false
	}
	err := r.r.Next(r.row)
	if err == nil {
		return true
	}
	if err != io.EOF {
		r.err = err
	}
	_ = r.Close()
	return false
}

// Err is what ended the rows early.
func (r *rows) Err() error { return r.err }

// Close makes the statement free to be asked again.
func (r *rows) Close() error {
	if r.closed {
		return nil
	}
	r.closed = true
	return r.r.Close()
}

// Scan copies the row. Only the types that the journal's tables need are known.
func (r *rows) Scan(dst ...any) error {
	for i, d := range dst {
		v := r.row[i]
		ok := true
		switch d := d.(type) {
		case *int64:
			*d, ok = v.(int64)
		case **int64:
			if v == nil {
				*d = nil
				continue
			}
			var n int64
			n, ok = v.(int64)
			*d = &n
		case *float64:
			if n, whole := v.(int64); whole {
				v = float64(n)
			}
			*d, ok = v.(float64)
		case *string:
			*d, ok = v.(string)
		case *[]byte:
			*d, ok = v.([]byte)
		case *civil.Date:
			var n int64
			n, ok = v.(int64)
			*d = civil.Date(n)
		case *reading.Flags:
			var n int64
			n, ok = v.(int64)
			*d = reading.Flags(n)
		case *reading.Quantity:
			var s string
			s, ok = v.(string)
			*d = reading.Quantity(s)
		case *any:
			*d = v
		default:
			return fmt.Errorf("column %d: no way to read into %T", i, d)
		}
		if !ok {
			return fmt.Errorf("column %d: %T does not fit %T", i, v, d)
		}
	}
	return nil
}
