package main

import (
	"bufio"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"

	"dwindle/config"
)

const deployDir = "../../deploy"

// compose is what the test looks at of deploy/compose.yaml.
type compose struct {
	Services map[string]struct {
		Image       string
		Build       map[string]string
		Ports       []string
		Volumes     []string
		Secrets     []string
		Environment map[string]string
		Command     []string
		Healthcheck map[string]any
		DependsOn   any `yaml:"depends_on"`
	}
	Volumes map[string]any
	Secrets map[string]struct{ File string }
}

func readCompose(t *testing.T) (c compose, text string) {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(deployDir, "compose.yaml"))
	require.NoError(t, err)
	require.NoError(t, yaml.Unmarshal(data, &c))
	return c, string(data)
}

// No container can be started where the tests run; what can be seen of the file
// without one is seen here.
func TestComposeNamesWhatThereIs(t *testing.T) {
	c, text := readCompose(t)
	require.Len(t, c.Services, 4)
	used := map[string]bool{}
	for name, s := range c.Services {
		if s.Build == nil {
			require.Contains(t, []string{"eclipse-mosquitto:2", "influxdb:2"}, s.Image, name)
			require.NotEmpty(t, s.Healthcheck["test"], name)
		} else {
			require.FileExists(t, filepath.Join(deployDir, s.Build["dockerfile"]), "make release puts it into %s", s.Build["context"])
			require.Equal(t, "../bin/release", s.Build["context"])
		}
		for _, p := range s.Ports {
			require.True(t, strings.HasPrefix(p, "127.0.0.1:"), "%s: port %s", name, p)
		}
		for _, v := range s.Volumes {
			from, _, ok := strings.Cut(v, ":")
			require.True(t, ok, v)
			if strings.HasPrefix(from, ".") {
				require.FileExists(t, filepath.Join(deployDir, from), name)
				require.True(t, strings.HasSuffix(v, ":ro"), v)
				continue
			}
			require.Contains(t, c.Volumes, from, name)
		}
		for _, secret := range s.Secrets {
			require.Contains(t, c.Secrets, secret, name)
			used[secret] = true
		}
		for key, value := range s.Environment {
			if file, ok := strings.CutPrefix(value, "/run/secrets/"); ok {
				require.True(t, strings.HasSuffix(key, "_FILE"), key)
				require.Contains(t, s.Secrets, file, name)
			}
			require.NotRegexp(t, `(?i)(password|token)$`, key, "secrets go by files")
		}
	}
	for name, s := range c.Secrets {
		require.True(t, used[name], name)
		require.Equal(t, "./secrets/"+name, s.File)
		require.True(t, strings.Contains(text, "> secrets/"+name+"\n"), "%s: the head says how each is made", name)
	}
	ignored, err := os.ReadFile("../../.gitignore")
	require.NoError(t, err)
	require.Contains(t, string(ignored), "\n/deploy/secrets/\n")
}

// Site file, services and secrets name each other.
func TestComposeFitsItsSiteFile(t *testing.T) {
	c, _ := readCompose(t)
	site, err := config.Load(filepath.Join(deployDir, "compose/site.yaml"))
	require.NoError(t, err)
	var said []string
	for _, w := range site.Warnings() {
		said = append(said, w.Path)
	}
	require.Equal(t, []string{"connections.broker.url", "connections.board.listen", "stores.influx.url"}, said, "inside the containers' own network; and nothing else")

	broker, influx := site.Brokers()[0], site.Influx()
	require.Equal(t, "tcp://mosquitto:1883", broker.URL)
	require.Equal(t, "http://influxdb:8086", influx.URL)
	require.Equal(t, influx.Organisation, c.Services["influxdb"].Environment["DOCKER_INFLUXDB_INIT_ORG"])
	require.NotContains(t, []string{influx.Bucket, influx.DailyBucket}, c.Services["influxdb"].Environment["DOCKER_INFLUXDB_INIT_BUCKET"])
	for _, file := range []string{broker.PasswordFile, influx.TokenFile} {
		require.Contains(t, c.Services["dwindle"].Secrets, strings.TrimPrefix(file, "/run/secrets/"))
	}
	require.NotContains(t, c.Services["dwindle"].Secrets, "influx-operator", "what serves all the time has no operator's token")

	// The command of the preparation is one that the program understands, and
	// reads the files that it is given.
	prepare := c.Services["prepare"]
	require.Equal(t, []string{"influx-operator"}, prepare.Secrets)
	require.Equal(t, "/run/secrets/influx-operator", prepare.Command[len(prepare.Command)-1])
	args := append([]string{}, prepare.Command...)
	for i, a := range args {
		if a == "/etc/dwindle/site.yaml" {
			args[i] = filepath.Join(deployDir, "compose/site.yaml")
		}
	}
	_, talk, code := dwindle(t, args...)
	require.Equal(t, 1, code)
	require.Contains(t, talk, "/run/secrets/influx-operator", "which is not there outside of the container")
}

// settings are the directives of a broker's file.
func settings(t *testing.T, file string) map[string]string {
	t.Helper()
	f, err := os.Open(file)
	require.NoError(t, err)
	defer f.Close()
	out := map[string]string{}
	for lines := bufio.NewScanner(f); lines.Scan(); {
		key, value, _ := strings.Cut(strings.TrimSpace(lines.Text()), " ")
		if key != "" && !strings.HasPrefix(key, "#") {
			require.NotContains(t, out, key, file)
			out[key] = value
		}
	}
	return out
}

// The broker in the container keeps messages as the recipe does, which the fault
// tests run with; only places differ. And a real one starts with it.
func TestComposeBrokerFollowsTheRecipe(t *testing.T) {
	own := filepath.Join(deployDir, "compose/mosquitto.conf")
	got, want := settings(t, own), settings(t, filepath.Join(deployDir, "mosquitto.conf"))
	for _, place := range []string{"persistence_location", "listener", "password_file", "acl_file"} {
		require.Contains(t, got, place)
		require.Contains(t, want, place)
		delete(got, place)
		delete(want, place)
	}
	require.Equal(t, want, got)

	program, err := exec.LookPath("mosquitto")
	if err != nil {
		program = "/usr/sbin/mosquitto"
	}
	if _, err := os.Stat(program); err != nil {
		if os.Getenv("CI") == "true" {
			require.NoError(t, err, "the test tools are installed by deploy/install-test-tools.sh")
		}
		t.Skip("no mosquitto here (Debian: mosquitto): its file is not tried")
	}
	dir := t.TempDir()
	acl, err := os.ReadFile(filepath.Join(deployDir, "mosquitto.acl"))
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "acl"), acl, 0o644))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "accounts"), nil, 0o644))
	text, err := os.ReadFile(own)
	require.NoError(t, err)
	here := strings.NewReplacer("/mosquitto/data/", dir+"/", "/run/secrets/broker-accounts", dir+"/accounts", "/mosquitto/config/dwindle.acl", dir+"/acl").Replace(string(text))
	here = regexp.MustCompile(`(?m)^listener 1883$`).ReplaceAllString(here, "listener 0 "+dir+"/socket") // no port of this machine
	if os.Geteuid() == 0 {
		here += "user root\n" // the directory is ours alone
	}
	conf := filepath.Join(dir, "mosquitto.conf")
	require.NoError(t, os.WriteFile(conf, []byte(here), 0o644))
	log := filepath.Join(dir, "log")
	said, err := os.Create(log)
	require.NoError(t, err)
	defer said.Close()
	cmd := exec.Command(program, "-c", conf)
	cmd.Stdout, cmd.Stderr = said, said
	require.NoError(t, cmd.Start())
	t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	require.Eventually(t, func() bool {
		text, err := os.ReadFile(log)
		return err == nil && (strings.Contains(string(text), " running\n") || strings.Contains(string(text), "Error"))
	}, 20*time.Second, 10*time.Millisecond)
	text, err = os.ReadFile(log)
	require.NoError(t, err)
	require.Contains(t, string(text), " running\n")
	require.NotContains(t, string(text), "Error")
}
