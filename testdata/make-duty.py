"""Makes the two files of daily duty in this folder from their sources.

    make-duty.py flights-3m.parquet bikesharing.gdt

The first is data/flights-3m.parquet of the npm package vega-datasets 3.2.1
(npm pack vega-datasets@3.2.1), the second data/misc/bikesharing.gdt of the
Debian package gretl-data 2022c-1 (apt-get download, dpkg-deb -x). Needs pyarrow.
"""

import collections
import csv
import datetime
import gzip
import io
import re
import sys

import pyarrow.parquet


def airports(source):
    table = pyarrow.parquet.read_table(source, columns=["date", "origin"])
    days = [d.date() for d in table.column("date").to_pylist()]
    count = collections.Counter(zip(table.column("origin").to_pylist(), days))
    span = sorted(set(days))[:-1]  # the last day has six flights
    for airport in sorted({a for a, _ in count}):
        duty = [count[airport, d] for d in span]
        months = collections.Counter()
        for d, n in zip(span, duty):
            months[d.month] += n
        if sum(duty) >= len(span) and all(months[d.month] for d in span):
            for d, n in zip(span, duty):
                yield airport, d.isoformat(), n


def bikes(source):
    raw = open(source, "rb").read()
    text = gzip.decompress(raw).decode() if raw[:2] == b"\x1f\x8b" else raw.decode()
    rows = [[float(v) for v in row.split()] for row in re.findall(r"<obs>([^<]*)</obs>", text)]
    first = datetime.date(2011, 1, 1)
    for name, column in (("casual", 8), ("registered", 9), ("total", 10)):
        for i, row in enumerate(rows):
            yield name, (first + datetime.timedelta(i)).isoformat(), int(row[column]), "holiday" if row[1] else ""


def write(file, header, rows):
    text = io.StringIO()
    w = csv.writer(text, lineterminator="\n")
    w.writerow(header)
    w.writerows(rows)
    data = text.getvalue().encode()
    if file.endswith(".gz"):
        data = gzip.compress(data, 9, mtime=0)
    with open(file, "wb") as f:
        f.write(data)


if __name__ == "__main__":
    if len(sys.argv) != 3:
        sys.exit(__doc__)
    write("airport-departures-2001.csv.gz", ["series", "date", "duty"], airports(sys.argv[1]))
    write("bike-rentals-2011-2012.csv", ["series", "date", "duty", "daytype"], bikes(sys.argv[2]))
