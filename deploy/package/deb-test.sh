#!/usr/bin/env bash
# Installs the Debian package, runs the program as its service would, upgrades,
# downgrades, removes and purges it, in a throw-away copy of this machine: an
# overlay whose changes are thrown away, with a network of its own that is
# loopback alone. It wants root on a Debian-like machine.
#
# systemd is not running in there. So the unit's command lines are run by hand,
# under its account, without capabilities; what the unit says beside that is
# checked by `go test ./cmd/dwindle -run TheUnit`, and what the program tells a
# service manager by `-run Supervisors`. Not tried anywhere here: that systemd
# itself restarts, stops and watches the service.
set -euo pipefail

say() { printf 'deb-test: %s\n' "$*"; }
die() { printf 'deb-test: FAILED: %s\n' "$*" >&2; exit 1; }
cannot() {
  if [ "${CI:-}" = true ]; then die "$1; with CI=true that is a failure"; fi
  say "SKIPPED: $1"
  exit 0
}

inside() {
  local one=/packages/one two=/packages/two site=/etc/dwindle/site.yaml pid=
  as_service() { setpriv --reuid=dwindle --regid=dwindle --init-groups --no-new-privs --bounding-set=-all -- "$@"; }
  stored() { as_service dwindle export -c "$site" readings | grep -c ',run.hours,\|,pulse.count,' || true; }
  # The answer of a page, by bash alone.
  get() {
    exec 9<>/dev/tcp/127.0.0.1/9310
    printf 'GET %s HTTP/1.0\r\nHost: localhost\r\n\r\n' "$1" >&9
    cat <&9
    exec 9>&-
  }
  # ready waits until it can take messages.
  ready() {
    for _ in $(seq 300); do
      if (get /readyz) 2>/dev/null | grep -q '"status":"ok"'; then return; fi
      sleep 0.1
    done
    cat /var/log/run.log >&2
    die "it does not get ready"
  }
  start() {
    # shellcheck disable=SC2046 # words of a command line
    as_service $(sed -n 's/^ExecStartPre=//p' /lib/systemd/system/dwindle.service) >/dev/null
    (umask 0027; as_service $(sed -n 's/^ExecStart=//p' /lib/systemd/system/dwindle.service) >>/var/log/run.log 2>&1) &
    ready
    pid=$(pgrep -u dwindle -x dwindle)
  }
  stop() {
    kill -TERM "$pid"
    wait || die "it did not end well: $(tail -3 /var/log/run.log)"
  }
  send() {
    mosquitto_pub -h 127.0.0.1 -p 1883 -q 1 -t lube/v1/riverside/unloader-1/run -m "{\"at\":$(date +%s),\"hours\":$1}"
    sleep 1.1 # the next one has another time
  }
  has() { [ "$(stored)" -eq "$1" ] || die "$(stored) readings instead of $1 $2"; }
  runs() { get /metrics | grep -qF "dwindle_build_info{version=\"$1\"} 1" || die "version $1 does not run"; }

  ip link set lo up
  mount -t tmpfs none /run # no service manager, whatever the machine has

  say "install"
  dpkg -i $one/*.deb
  getent passwd dwindle | grep -q ':/var/lib/dwindle:/usr/sbin/nologin$' || die "no account"
  [ "$(stat -c '%a %U %G' /var/lib/dwindle)" = '750 dwindle dwindle' ] || die "place for data: $(stat -c '%a %U %G' /var/lib/dwindle)"
  [ -L /etc/systemd/system/multi-user.target.wants/dwindle.service ] || die "the service is not enabled"
  [ ! -e $site ] || die "a site file was installed"
  dwindle version | grep -q 1.0.0-one || die "$(dwindle version)"
  man -w dwindle dwindle-site >/dev/null || die "no manual pages"
  dpkg -V dwindle || die "files differ from the package"

  say "start without systemd, as the account, by the unit's command line"
  sed 's|^data: .*|data: /var/lib/dwindle|' /usr/share/doc/dwindle/examples/site.yaml >$site
  start
  runs 1.0.0-one
  send 100; send 101
  has 2 "after two messages"
  [ "$(stat -c %U /var/lib/dwindle/journal.db)" = dwindle ] || die "the journal belongs to another"

  say "upgrade while it runs"
  cp $site /tmp/site.before
  dpkg -i $two/*.deb
  cmp $site /tmp/site.before || die "the site file was changed"
  send 102 # the old program goes on until it is restarted
  stop
  start
  runs 1.1.0-two
  has 3 "after the upgrade"
  send 103

  say "downgrade"
  stop
  dpkg -i $one/*.deb
  start
  runs 1.0.0-one
  has 4 "after the downgrade"
  stop

  say "remove: data, account and site file stay"
  dpkg -r dwindle
  [ ! -e /usr/bin/dwindle ] || die "the program is still there"
  [ -e /var/lib/dwindle/journal.db ] && [ -e $site ] && getent passwd dwindle >/dev/null || die "something was taken away"
  dpkg -i $two/*.deb
  start
  has 4 "after it was installed again"
  stop

  say "purge: the site file stays, nothing else"
  dpkg -P dwindle
  [ ! -e /var/lib/dwindle ] || die "data is left"
  ! getent passwd dwindle >/dev/null || die "the account is left"
  [ -e $site ] || die "the site file was taken away"
  left=$(find /etc /lib/systemd /usr /var/lib -xdev -name '*dwindle*' -not -path '/etc/dwindle*' -not -path '*/go/*' 2>/dev/null | grep -v -e '^/usr/local' || true)
  [ -z "$left" ] || die "left over: $left"

  say "the program alone in an empty root, by another account, as in the image"
  mkdir -p /image/data /image/etc
  find $two -name 'dwindle-linux-*' -not -name '*.txt' -exec cp {} /image/dwindle \;
  sed 's|^data: .*|data: /data|' $site >/image/etc/site.yaml
  chown 65532:65532 /image/data
  chmod 755 /image/dwindle
  chroot --userspec=65532:65532 /image /dwindle serve -c /etc/site.yaml >>/var/log/run.log 2>&1 &
  pid=$!
  ready
  send 1
  get /metrics | grep -q '^dwindle_intake_stored_total 1' || { tail -5 /var/log/run.log >&2; die "nothing stored in the empty root"; }
  stop
  say "all of it passed"
}

if [ "${1:-}" = inside ]; then
  inside
  exit
fi

cd "$(dirname "${BASH_SOURCE[0]}")/../.."
[ "$(id -u)" -eq 0 ] || cannot "not root"
for tool in dpkg unshare ip setpriv mosquitto_pub pgrep; do
  command -v $tool >/dev/null || cannot "no $tool here (Debian: dpkg util-linux iproute2 mosquitto-clients procps)"
done
work=$(mktemp -d)
trap 'umount -l "$work/overlay" 2>/dev/null || true; rm -rf "$work"' EXIT
unshare --mount --net true 2>/dev/null || cannot "no namespaces of our own here"

here=$(dpkg --print-architecture)
case $here in amd64 | arm64) kind=$here ;; armhf) kind=armv7 ;; *) cannot "no package for $here" ;; esac
for version in 1.0.0-one 1.1.0-two; do
  ONLY=$kind bash deploy/package/release.sh "$work/packages/${version#*-}" "$version"
done
if command -v lintian >/dev/null; then
  say "lintian"
  # Static is what it is meant to be, and nobody hands this one out.
  lintian --allow-root --fail-on error,warning --suppress-tags statically-linked-binary,no-changelog,bogus-mail-host,root-in-contact "$work"/packages/one/*.deb
else
  say "SKIPPED: no lintian here, so the package was not held against Debian's policy"
fi

before=$(sha256sum /var/lib/dpkg/status /etc/passwd)
mkdir "$work/overlay"
unshare --mount --net --pid --fork --kill-child --propagation private bash -euc '
  mount -t tmpfs none "$1/overlay"
  mkdir "$1/overlay/changes" "$1/overlay/work" "$1/overlay/root"
  mount -t overlay overlay -o "lowerdir=/,upperdir=$1/overlay/changes,workdir=$1/overlay/work" "$1/overlay/root" || exit 77
  mount -t proc proc "$1/overlay/root/proc"
  mount --rbind /dev "$1/overlay/root/dev"
  mkdir "$1/overlay/root/packages"
  cp -r "$1"/packages/* "$1/overlay/root/packages/"
  cp "$2" "$1/overlay/root/deb-test.sh"
  exec chroot "$1/overlay/root" bash /deb-test.sh inside
' bash "$work" deploy/package/deb-test.sh || { code=$?; [ $code -ne 77 ] || cannot "no overlay file system here"; exit $code; }
[ "$before" = "$(sha256sum /var/lib/dpkg/status /etc/passwd)" ] || die "this machine was changed"
