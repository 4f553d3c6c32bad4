#!/usr/bin/env bash
# Installs what the tests need beside Go, on Debian and its relatives, when it
# may: as root, with apt-get. Elsewhere it says what is missing and goes on;
# the tests that need it are then skipped with the same words, or fail where
# CI=true. When all is there it does nothing and needs no network. DuckDB comes
# beside that, for the user alone; with the argument debian it is left out.
set -euo pipefail

say() { printf 'test tools: %s\n' "$*" >&2; }

if [ "${1:-}" != debian ]; then
  bash "${BASH_SOURCE[0]}" debian
  # DuckDB reads what is exported, as an analyst does. It comes from PyPI into
  # an environment of its own in the user's cache.
  version="$(cat "$(dirname "${BASH_SOURCE[0]}")/tools/duckdb-version")"
  home="${XDG_CACHE_HOME:-$HOME/.cache}/dwindle/duckdb-$version"
  [ -e "$home/ready" ] && exit 0
  say "installing DuckDB $version in $home"
  rm -rf "$home"
  if python3 -m venv "$home" >&2 && "$home/bin/pip" install --quiet --disable-pip-version-check --only-binary :all: "duckdb==$version" >&2 &&
    "$home/bin/python" -c 'import duckdb' >&2; then
    touch "$home/ready"
  else
    say "still missing: DuckDB $version (the test that reads exported tables; needs python3 with venv, and PyPI)"
  fi
  exit 0
fi

# command : Debian packages : what for
tools=(
  "systemd-analyze:systemd:the check of the unit"
  "gcc:gcc libc6-dev:the race detector"
  "mosquitto:mosquitto:tests against a real MQTT broker"
  "victoria-metrics:victoria-metrics:tests against a second server that takes the writes of InfluxDB"
  "chromium:chromium:tests of the pages in a real browser"
  "mosquitto_pub:mosquitto-clients:tests that publish as a person at a shell does"
)

PATH="$PATH:/usr/sbin:/sbin" # where Debian puts servers

missing=()
packages=()
for tool in "${tools[@]}"; do
  IFS=: read -r command names purpose <<<"$tool"
  command -v "$command" >/dev/null && continue
  missing+=("$command ($purpose; Debian: $names)")
  read -ra names <<<"$names"
  packages+=("${names[@]}")
done
if ! python3 -c 'import ensurepip, venv' 2>/dev/null; then
  missing+=("python3 with venv (the test that reads exported tables; Debian: python3-venv)")
  packages+=(python3 python3-venv)
fi
[ ${#missing[@]} -eq 0 ] && exit 0

give_up() {
  say "$1; still missing:"
  for m in "${missing[@]}"; do say "  $m"; done
  # Whether a missing tool is a failure is for the tests to decide.
  exit 0
}

command -v apt-get >/dev/null || give_up "no apt-get here"
[ "$(id -u)" -eq 0 ] || give_up "not root, so nothing was installed (sudo apt-get install ${packages[*]})"

say "installing ${packages[*]}"
log="$(mktemp)"
trap 'rm -f "$log"' EXIT
export DEBIAN_FRONTEND=noninteractive
install() { apt-get install -y --no-install-recommends "${packages[@]}" >>"$log" 2>&1 </dev/null; }
# The package lists of a fresh machine are empty or old, so a failure is worth
# one update.
if ! install && ! { apt-get update >>"$log" 2>&1 </dev/null && install; }; then
  tail -n 20 "$log" >&2
  give_up "apt-get failed"
fi
if [ -d /run/systemd/system ] && [[ " ${packages[*]} " == *" mosquitto "* ]]; then
  say "the mosquitto package also started a broker on 127.0.0.1:1883; the tests start their own (systemctl disable --now mosquitto)"
fi
if [ -d /run/systemd/system ] && [[ " ${packages[*]} " == *" victoria-metrics "* ]]; then
  # Its package starts a server that listens on all addresses and asks nobody who he is.
  systemctl disable --now victoria-metrics >>"$log" 2>&1 &&
    say "the server that the victoria-metrics package had started is stopped and disabled; the tests start their own"
fi
for tool in "${tools[@]}"; do
  command -v "${tool%%:*}" >/dev/null || give_up "${tool%%:*} is not there after the installation"
done
