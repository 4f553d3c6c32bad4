package influxtest_test

import (
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/collector/influx/influxtest"
)

func TestMain(m *testing.M) { os.Exit(influxtest.Main(m)) }

func TestWhatIsWrittenIsThere(t *testing.T) {
	srv := influxtest.Start(t)
	bucket := srv.Bucket(t)
	require.Zero(t, srv.Count(t, bucket))
	srv.Write(t, bucket, "run,device=g\\ 1 hours=1.5,key=\"a\n\nb\" 1700000000000000001\npulse,device=g2 count=3 -5")
	rows := srv.Query(t, `from(bucket: "`+bucket+`") |> range(start: 1960-01-01T00:00:00Z) |> sort(columns: ["_time"])`)
	require.Len(t, rows, 3)
	require.Equal(t, 3, srv.Count(t, bucket))
	require.Zero(t, srv.Count(t, srv.Bucket(t)), "another bucket is empty")
	require.Same(t, srv, influxtest.Start(t), "one server for all tests")
	for _, row := range rows {
		switch row["_field"] {
		case "hours":
			require.Equal(t, "2023-11-14T22:13:20.000000001Z", row["_time"])
			require.Equal(t, "1.5", row["_value"])
			require.Equal(t, "g 1", row["device"])
		case "key":
			require.Equal(t, "a\n\nb", row["_value"])
		default:
			require.Equal(t, "1969-12-31T23:59:59.999999995Z", row["_time"])
			require.Equal(t, "pulse", row["_measurement"])
		}
	}
}

func TestAServerOfOnesOwnKeepsItsData(t *testing.T) {
	srv := influxtest.Own(t)
	bucket := srv.Bucket(t)
	srv.Write(t, bucket, "run,device=g1 hours=1 1\nrun,device=g1 hours=2 2")
	srv.Kill()
	require.Error(t, srv.Do("GET", "/health", nil, nil), "it must be gone")
	srv.Again()
	require.Equal(t, 2, srv.Count(t, bucket), "what was acknowledged survives kill -9")
	srv.Write(t, bucket, "run,device=g1 hours=3 3")
	srv.Stop()
	require.Error(t, srv.Do("GET", "/health", nil, nil), "it must be gone")
	srv.Again()
	require.Equal(t, 3, srv.Count(t, bucket))
}
