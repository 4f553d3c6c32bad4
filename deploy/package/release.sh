#!/usr/bin/env bash
# Makes what is handed out, into a folder: static programs for the gateways'
# processors, a Debian package of each, what they are made of, and checksums.
# `make release` calls it, and with ONLY=amd64 the test of the package. It needs Go; with qemu-user it also runs the foreign
# programs for a moment, without it says that it did not.
#
#   release.sh FOLDER VERSION
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
out=$1 version=$2
go=${GO:-go}
say() { printf 'release: %s\n' "$*" >&2; }

# One commit gives one result: no time of the build goes in.
SOURCE_DATE_EPOCH=$(git log -1 --format=%ct 2>/dev/null || date +%s)
day=$(date -u -d "@$SOURCE_DATE_EPOCH" +%F)
export SOURCE_DATE_EPOCH CGO_ENABLED=0 GOOS=linux
# Whoever hands packages out answers for them.
export MAINTAINER=${MAINTAINER:-dwindle <root@localhost>}

# A version of a package begins with a digit, and a hyphen has a meaning there.
package=${version#v}
[[ $package == [0-9]*.* ]] || package="0~$(date -u -d "@$SOURCE_DATE_EPOCH" +%Y%m%d%H%M%S)+$package"
package=${package//-/.}

mkdir -p "$out"
out=$(cd "$out" && pwd)
rm -rf "${out:?}"/*
mkdir "$out/manual"

# program name, GOARCH, GOARM, Debian's name, command that runs it elsewhere
kinds=(
  "amd64 amd64 - amd64 qemu-x86_64"
  "arm64 arm64 - arm64 qemu-aarch64"
  "armv7 arm 7 arm7 qemu-arm"
)

say "manual pages and completions"
GOOS='' $go test -vet=off -count=1 -run '^TestManualPagesHaveEveryVerbAndKey$' ./cmd/dwindle -manual "$out/manual" -manual-version "$version" -manual-date "$day" >/dev/null
gzip -9n "$out"/manual/*.[15]
say "licences of what is linked"
GOOS='' $go test -vet=off -count=1 -run '^TestLicencesOfWhatIsLinkedArePermissive$' ./cmd/internal/archtest -licences "$out/licences.txt" >/dev/null
chmod 644 "$out/licences.txt"
cat >"$out/copyright" <<'TEXT'
Format: https://www.debian.org/doc/packaging-manuals/copyright-format/1.0/

Files: *
Copyright: 2026 the dwindle authors
License: Apache-2.0
 On Debian systems the text is in /usr/share/common-licenses/Apache-2.0.
Comment:
 The program is linked statically from modules with terms of their own; they
 are listed, with their texts, in /usr/share/doc/dwindle/licences.txt.gz.
TEXT
gzip -9nk "$out/licences.txt"

say "packager"
GOOS='' $go build -C deploy/package -o "$out/nfpm" github.com/goreleaser/nfpm/v2/cmd/nfpm

for kind in "${kinds[@]}"; do
  read -r name goarch goarm debian emulator <<<"$kind"
  [ -z "${ONLY:-}" ] || [ "$ONLY" = "$name" ] || continue
  program=$out/dwindle-linux-$name
  say "$name"
  GOARCH=$goarch GOARM=${goarm/-/} $go build -trimpath -ldflags "-s -w -X main.version=$version" -o "$program" ./cmd/dwindle
  if file -b "$program" 2>/dev/null | grep -q 'dynamically linked'; then
    say "$name is not static"; exit 1
  fi
  # What it is made of: scanners read the same from the program itself.
  $go version -m "$program" | sed "1s|.*|dwindle-linux-$name $version|" >"$program.modules.txt"

  runner=()
  if [ "$goarch" != "$($go env GOHOSTARCH)" ]; then
    runner=("$(command -v "$emulator" || command -v "$emulator-static" || true)")
    if [ -z "${runner[0]}" ]; then
      say "SKIPPED: no $emulator here (Debian: qemu-user), so the program for $name was built and not run"
      runner=(skip)
    fi
  fi
  if [ "${runner[*]}" != skip ]; then
    "${runner[@]}" "$program" version >&2
    "${runner[@]}" "$program" check -c deploy/example-site.yaml >&2
    # A whole site in small: broker, intake, SQLite, forecasts.
    "${runner[@]}" "$program" demo --once --points 5 --days 40 >"$out/demo-$name.txt" 2>&1 || { tail -20 "$out/demo-$name.txt" >&2; exit 1; }
    grep -A2 '^What came in' "$out/demo-$name.txt" >/dev/null
    grep 'messages a second' "$out/demo-$name.txt" >&2 || true
    rm "$out/demo-$name.txt"
  fi

  PACKAGE_ARCH=$debian PACKAGE_VERSION=$package PROGRAM_ARCH=$name RELEASE=$out \
    "$out/nfpm" package --config deploy/package/nfpm.yaml --packager deb --target "$out" >&2
done
rm -r "$out/nfpm" "$out/manual" "$out/copyright" "$out/licences.txt.gz"
cp deploy/Containerfile "$out/"
mkdir "$out/empty" # becomes the image's /data
(cd "$out" && find . -maxdepth 1 -type f ! -name SHA256SUMS -printf '%P\n' | sort | xargs sha256sum >SHA256SUMS)
ls -l "$out" >&2
