package servertest

import (
	"fmt"
	"net"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestAFreePortCanBeListenedOn(t *testing.T) {
	port, err := FreePort()
	require.NoError(t, err)
	require.Less(t, port, 32_768, "where Linux begins to give ports to outgoing connections")
	l, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", port))
	require.NoError(t, err)
	require.NoError(t, l.Close())
}

func TestTheRepositoryIsFoundFromBelow(t *testing.T) {
	dir, err := Repository()
	require.NoError(t, err)
	require.FileExists(t, filepath.Join(dir, "deploy", "mosquitto.conf"))
	t.Chdir(t.TempDir())
	_, err = Repository()
	require.ErrorContains(t, err, "no go.mod above")
}
