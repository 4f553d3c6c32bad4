# What there is to do with this repository. "make test" is the one command
# that checks everything; it sets up what it needs.
#
#   make build   the program, static, into bin/
#   make test    everything that must hold before a change goes in
#   make testbed the InfluxDB server that tests run against, built once into
#                ~/.cache/dwindle; deploy/testbed/influxd.sh --forget removes it
#   make bench   the benchmarks (BENCH=pattern, BENCHTIME=2s, PKG=./collector/...)
#   make cold    a pass over POINTS=100000 points, SHARED=1 to a machine, from a
#                journal on disk; the first time it makes that journal, which
#                takes long and some gigabytes
#   make faults  injected faults over SEEDS=20 plants: found, missed, false
#   make figures what the score says on simulated and open data, held to bounds
#   make bench-line   the way from publishers to disk beside a bare client, and
#                beside a short script in Python
#   make bench-forward   what is forwarded to InfluxDB beside a bare client, and what
#                the intake takes in meanwhile
#   make bench-memory what is resident with DISPENSERS=5000 at one message a
#                minute each, over STEADY=2m and a burst; with OUTBOX=72h as long as
#                InfluxDB is away, and while it then gets what waits
#   make bench-export  ROWS=10000000 readings as CSV, JSON Lines and Parquet: rows
#                a second, memory, bytes a row, beside encoding/csv; the first
#                time it makes a journal of them in bin/
#   make mutants faults built into the intake and the outbox themselves; the tests
#                must see each
#   make soak    the fault tests in their long form, then all fuzzing, within
#                SOAK=60 minutes; FUZZ=60 seconds for each fuzz function
#   make delays  days until delivery that is wrong is seen, by dose and sensor
#   make release static programs for amd64, arm64 and armv7, a Debian package of
#                each, licences, checksums, into bin/release
#   make deb-test installs, runs, upgrades, removes and purges the package in a
#                throw-away copy of this machine; as root
#   make cover   which lines tests reach, as bin/cover.html

SHELL := /bin/bash
.SHELLFLAGS := -eu -o pipefail -c
.DEFAULT_GOAL := build

GO        ?= go
PKG       ?= ./...
# One package must not take longer than this; a hung test says where.
TIMEOUT   ?= 25m
BENCH     ?= .
BENCHTIME ?= 1s
# Folders with Go code of this module, for gofmt, which knows no modules.
FOLDERS := alerts cmd collector config deploy/testbed forecast

VERSION ?= $(shell git describe --tags --always --dirty 2>/dev/null || echo unknown)

# A build never changes go.mod behind one's back.
export GOFLAGS ?= -mod=readonly

.PHONY: build test testbed check bench cold faults figures delays mutants soak bench-line bench-forward bench-memory bench-export release deb-test cover clean

build:
	@mkdir -p bin
	CGO_ENABLED=0 $(GO) build -trimpath -ldflags '-s -w -X main.version=$(VERSION)' -o bin/dwindle ./cmd/dwindle

# The order is by what fails fastest. The table of injected faults and the
# figures of the score are held to their bounds over all their cases, without
# the race detector, which would take them many minutes; the tests proper come
# last, so that the output ends with their summary. The race detector and the
# InfluxDB that is built for the tests need a C compiler; the program itself is
# built without.
test:
	@bash deploy/install-test-tools.sh
	@$(MAKE) --no-print-directory testbed
	@$(MAKE) --no-print-directory check
	@$(MAKE) --no-print-directory faults
	@$(MAKE) --no-print-directory figures
	@bash deploy/mutants.sh
	@if command -v "$$($(GO) env CC)" >/dev/null; then \
		CGO_ENABLED=1 $(GO) test -race -vet=off -timeout $(TIMEOUT) $(PKG) </dev/null; \
	elif [ "$${CI:-}" = true ]; then \
		echo 'make test: no C compiler, so no race detector; with CI=true that is a failure' >&2; exit 1; \
	else \
		echo 'make test: no C compiler: the tests run WITHOUT the race detector' >&2; \
		$(GO) test -vet=off -timeout $(TIMEOUT) $(PKG) </dev/null; \
	fi

# The InfluxDB that tests run against: built once into the user's cache, which
# takes 4 to 10 minutes; afterwards this takes no time. It comes before the tests
# because their time is bounded.
testbed:
	@GO='$(GO)' bash deploy/testbed/influxd.sh --needed >/dev/null || if [ "$${CI:-}" = true ]; then \
		echo 'make testbed: no InfluxDB to test with; with CI=true that is a failure' >&2; exit 1; \
	else \
		echo 'make testbed: the tests that need an InfluxDB are SKIPPED' >&2; \
	fi

# Formatting, the compiler's own checks, staticcheck at the version that
# deploy/tools pins.
check:
	@out=$$(gofmt -l $(FOLDERS)); if [ -n "$$out" ]; then \
		echo "not formatted; run gofmt -w on:" >&2; echo "$$out" >&2; exit 1; fi
	$(GO) vet ./...
	$(GO) tool -modfile=deploy/tools/go.mod staticcheck ./...

bench:
	$(GO) test -run '^$$' -bench '$(BENCH)' -benchtime $(BENCHTIME) -benchmem -timeout 60m $(PKG)

# The benchmark makes the journal and ends where there is none: what it then
# measures, it measures in a process that did nothing else.
POINTS ?= 100000
SHARED ?= 1
cold:
	@mkdir -p bin
	@$(GO) test -c -o bin/station.test ./cmd/internal/station
	@journal=$(CURDIR)/bin/cold-$(POINTS)-$(SHARED).db; cd cmd/internal/station; \
	run() { $(CURDIR)/bin/station.test -test.run '^$$' -test.bench '^BenchmarkColdPass$$' -test.benchtime 1x -test.timeout 3h -points $(POINTS) -shared $(SHARED) -journal $$journal; }; \
	if [ ! -e $$journal ]; then run; fi; run

SEEDS ?= 20
faults:
	@mkdir -p bin; rm -f bin/faults.txt
	@$(GO) test -count=1 -run '^TestFaultsThatCanBeSeenAreFound$$' -timeout 60m ./cmd/internal/demo -seeds $(SEEDS) -table $(CURDIR)/bin/faults.txt || failed=1; \
	cat bin/faults.txt; exit $${failed:-0}

figures:
	@$(GO) test -count=1 -timeout 30m ./forecast/score

YEARS ?= 400
delays:
	@mkdir -p bin; rm -f bin/delays.txt
	@$(GO) test -count=1 -run '^TestDelayTable$$' -timeout 60m ./forecast -seeds $(SEEDS) -years $(YEARS) -delays $(CURDIR)/bin/delays.txt || failed=1; \
	cat bin/delays.txt; exit $${failed:-0}

mutants:
	@bash deploy/mutants.sh --all

# Debian's Python runs the script that is compared with; where it cannot be
# installed, that benchmark says so and is left out.
bench-line:
	@bash deploy/install-test-tools.sh
	@/usr/bin/python3 -c 'import paho.mqtt.client' 2>/dev/null || apt-get install -y --no-install-recommends python3-paho-mqtt </dev/null >/dev/null || true
	$(GO) test -run '^$$' -bench 'Line' -benchtime 3x -timeout 20m ./collector

bench-forward:
	@bash deploy/install-test-tools.sh
	$(GO) test -run '^$$' -bench '^BenchmarkForward' -benchtime 5x -timeout 20m ./collector/influx/outbox

DISPENSERS ?= 5000
STEADY     ?= 2m
OUTBOX ?= 0
bench-memory:
	$(GO) test -run '^$$' -bench '^BenchmarkMemory$$' -benchtime 1x -timeout 30m ./cmd/dwindle -dispensers $(DISPENSERS) -steady $(STEADY) -outbox $(OUTBOX)

ROWS ?= 10000000
bench-export:
	@mkdir -p bin
	$(GO) test -run '^$$' -bench '^BenchmarkExportReadings$$' -benchtime 1x -timeout 60m ./cmd/dwindle -rows $(ROWS) -export-site $(CURDIR)/bin/export-$(ROWS)
	$(GO) test -run '^$$' -bench '^BenchmarkReadings$$' -benchmem ./forecast/export/parquet

SOAK ?= 60
FUZZ ?= 60
soak:
	@bash deploy/install-test-tools.sh
	@bash deploy/soak.sh $(SOAK) $(FUZZ)

release:
	@GO='$(GO)' bash deploy/package/release.sh bin/release '$(VERSION)'

deb-test:
	@GO='$(GO)' bash deploy/package/deb-test.sh

cover:
	@mkdir -p bin
	$(GO) test -coverprofile=bin/cover.txt -coverpkg=./... -timeout $(TIMEOUT) $(PKG)
	$(GO) tool cover -html=bin/cover.txt -o bin/cover.html
	@$(GO) tool cover -func=bin/cover.txt | tail -n 1

clean:
	rm -rf bin
