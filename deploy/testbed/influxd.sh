#!/usr/bin/env bash
# Makes the InfluxDB 2 server ready that the tests run against, and prints
# where the program is.
#
#   influxd.sh           builds it if it is not there yet (4 to 10 minutes once,
#                        2 cores); any number of calls at a time wait for one
#                        build
#   influxd.sh --cached  prints the path if it is there, else ends with 1
#   influxd.sh --needed  as without, but does nothing where tests would not use
#                        what is built: DWINDLE_TEST_INFLUX_URL names a server,
#                        or an influxd 2 is on PATH
#   influxd.sh --forget  deletes what was built, of this and other versions
#
# It is built from its published Go module (folder influxd beside this script)
# and from the Rust part of its query language, and kept in the user's cache,
# ${XDG_CACHE_HOME:-~/.cache}/dwindle. What building takes beside goes when it
# is done; downloaded modules and crates stay where go and cargo keep them.
# Both parts have the MIT licence. Nothing of them gets into dwindle: the
# folder is a module of its own, and only tests start the program.
set -euo pipefail

{ # read whole before it runs: the file may change while it builds

# To be raised when the steps below change what comes out.
steps=1

here="$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)"
source="$here/influxd"
say() { printf 'influxd: %s\n' "$*" >&2; }

case "${1:-}" in
'' | --cached | --needed | --forget) ;;
*) say "unknown argument $1; see the head of $0"; exit 2 ;;
esac

cache="${XDG_CACHE_HOME:-${HOME:?influxd.sh: neither XDG_CACHE_HOME nor HOME is set, so there is no cache}/.cache}/dwindle"
if [ "${1:-}" = --forget ]; then
  rm -rf "$cache"/influxd-*
  exit 0
fi

if [ "${1:-}" = --needed ]; then
  [ -n "${DWINDLE_TEST_INFLUX_URL:-}" ] && exit 0
  if other="$(command -v influxd)" && "$other" version 2>/dev/null | grep -Eq '^InfluxDB v?2\.'; then
    echo "$other"
    exit 0
  fi
fi

# The name holds all that decides what comes out.
version="$(sed -n 's#^\tgithub.com/influxdata/influxdb/v2 v##p' "$source/go.mod")"
digest() { if command -v sha256sum >/dev/null; then sha256sum; else shasum -a 256; fi; }
sum="$({ echo "$steps"; uname -sm; cat "$source/go.mod" "$source/go.sum" "$source/main.go"; } | digest | cut -c 1-12)"
program="$cache/influxd-$version-$sum"
if [ -x "$program" ]; then
  echo "$program"
  exit 0
fi
[ "${1:-}" = --cached ] && exit 1

go="${GO:-go}"
missing=()
need() { command -v "$1" >/dev/null || missing+=("$1 ($2)"); }
need "$go" "Go, as in go.mod"
need cargo "Rust, for the server's query language: rustup.rs, or a Rust of 1.72 or later"
old="$(cd / && cargo --version 2>/dev/null | sed -n 's/^cargo 1\.\([0-9]*\)\..*/\1/p' || true)"
if [ "${old:-99}" -lt 72 ]; then
  missing+=("cargo 1.72 or later; here is 1.$old, too old for the crates: rustup.rs has newer ones")
fi
need flock "Debian: util-linux"
cc="$(command -v "$go" >/dev/null && "$go" env CC || true)"
need "${cc:-gcc}" "a C compiler; Debian: gcc libc6-dev"
if [ ${#missing[@]} -gt 0 ]; then
  if [ "${1:-}" = --needed ] && timeout 10 docker info >/dev/null 2>&1; then
    say "cannot be built here for want of ${missing[*]}; the tests start it in Docker"
    exit 0
  fi
  say "the InfluxDB server for the tests cannot be built here; missing:"
  for m in "${missing[@]}"; do say "  $m"; done
  say "or name a running server: DWINDLE_TEST_INFLUX_URL, _ORG and _TOKEN; or put an influxd 2 on PATH"
  exit 1
fi

mkdir -p "$cache"
exec 9>"$cache/influxd-lock"
if ! flock -n 9; then
  say "waiting for another build of the test server"
  flock 9
fi
if [ -x "$program" ]; then # the other one made it
  echo "$program"
  exit 0
fi

say "building InfluxDB $version for the tests, once, in 4 to 10 minutes"
# What an interrupted build leaves behind is no use to the next one, so all of
# it is in one folder, Go's build cache too: pkg-config keeps the Rust library
# in there, and would take half a copy of its source for the whole.
rm -rf "$cache"/influxd-work.*
work="$(mktemp -d "$cache/influxd-work.XXXXXX")"
pid=
# shellcheck disable=SC2317 # called by the trap
tidy() {
  [ -z "$pid" ] || kill -- "-$pid" 2>/dev/null || true
  chmod -R u+w "$work" 2>/dev/null || true
  rm -rf "$work"
}
trap tidy EXIT
trap 'exit 130' INT TERM HUP
mkdir "$work/bin"

# New compilers turn into errors what the crates' own rules call a lint.
printf '#!/bin/sh\nexec "$@" --cap-lints allow\n' >"$work/bin/rustc-as-it-is"
chmod +x "$work/bin/rustc-as-it-is"
# The source pins a compiler that would have to be fetched; the one here does.
if [ -z "${RUSTUP_TOOLCHAIN:-}" ] && command -v rustup >/dev/null; then
  RUSTUP_TOOLCHAIN="$(cd / && rustup default 2>/dev/null | cut -d ' ' -f 1)"
  export RUSTUP_TOOLCHAIN="${RUSTUP_TOOLCHAIN:-stable}"
fi
export RUSTC_WRAPPER="$work/bin/rustc-as-it-is" CARGO_TERM_PROGRESS_WHEN=never
export GOCACHE="$work/go" GOFLAGS=-mod=readonly GOWORK=off CGO_ENABLED=1
unset CARGO_TARGET_DIR CARGO_BUILD_TARGET RUSTFLAGS GOOS GOARCH

build() {
  cd "$source"
  # A stand-in for pkg-config that builds the Rust library when asked for it.
  "$go" build -o "$work/bin/pkg-config" github.com/influxdata/pkg-config
  PATH="$work/bin:$PATH" PKG_CONFIG="$work/bin/pkg-config" "$go" build -trimpath \
    -tags sqlite_foreign_keys,sqlite_json -ldflags "-s -w -X main.version=$version" -o "$work/influxd" .
  "$work/influxd" --help >/dev/null
}
began=$SECONDS
# In the background, so that a signal is answered at once, and in a group of its
# own, so that it can be ended with all that it started.
set -m
(build) >"$work/log" 2>&1 9>&- &
pid=$!
if ! wait "$pid"; then
  pid=
  tail -n 30 "$work/log" >&2
  say "the InfluxDB server for the tests could not be built; the lines above say why"
  exit 1
fi
pid=
mv "$work/influxd" "$program"
say "built in $(((SECONDS - began) / 60)) min $(((SECONDS - began) % 60)) s: $program"
echo "$program"
exit
}
