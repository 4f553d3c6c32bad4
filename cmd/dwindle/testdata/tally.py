# Reads exported tables with DuckDB and prints what it finds: the type of each
# column in Parquet, and sums over each column in every format. The first
# argument is the dictionary, as `dwindle export --dictionary --json` prints it,
# the second a folder with NAME.csv, NAME.jsonl and NAME.parquet.
import json
import sys

import duckdb

with open(sys.argv[1], encoding="utf-8") as f:
    dictionary = json.load(f)
db = duckdb.connect()
sql = {
    "text": "VARCHAR", "number": "DOUBLE", "count": "BIGINT", "boolean": "BOOLEAN",
    "instant": "TIMESTAMPTZ", "date": "DATE", "list": "VARCHAR[]",
}
sums = {
    "text": "sum(strlen({0}))", "number": "sum({0})", "count": "sum({0})", "boolean": "count(*) FILTER ({0})",
    "instant": "sum(epoch_ms({0}))", "date": "sum({0} - DATE '1970-01-01')",
    "list": "sum(len({0}) + strlen(array_to_string({0}, '')))",
}
found = {}
for table in dictionary["tables"]:
    name = table["table"] + ("_by_week" if table.get("by_period") else "")
    columns = {c["name"]: c["type"] for c in table["columns"]}
    types = "{" + ", ".join(f"'{n}': '{'VARCHAR' if t == 'list' else sql[t]}'" for n, t in columns.items()) + "}"
    lists = "{" + ", ".join(f"'{n}': '{sql[t]}'" for n, t in columns.items()) + "}"
    path = sys.argv[2] + "/" + name
    sources = {
        "parquet": f"read_parquet('{path}.parquet')",
        "csv": f"read_csv('{path}.csv', header = true, columns = {types})",
        "jsonl": f"read_json('{path}.jsonl', format = 'newline_delimited', columns = {lists})",
    }
    result = {"types": {r[0]: r[1] for r in db.execute(f"DESCRIBE SELECT * FROM {sources['parquet']}").fetchall()}}
    for form, source in sources.items():
        result[form] = {"rows": db.execute(f"SELECT count(*) FROM {source}").fetchone()[0]}
        asked = []
        for n, t in columns.items():
            cell = f'"{n}"'
            if form == "csv" and t == "list":
                cell = f"from_json({cell}, '[\"VARCHAR\"]')"
            asked += [f"count({cell})", sums[t].format(cell)]
        got = db.execute(f"SELECT {', '.join(asked)} FROM {source}").fetchone()
        for i, (n, t) in enumerate(columns.items()):
            total = got[2 * i + 1]
            if total is not None:
                total = float(total) if t == "number" else int(total)
            result[form][n] = {"count": got[2 * i], "sum": total}
    result["metadata"] = {
        bytes(k).decode(): bytes(v).decode()
        for k, v in db.execute(f"SELECT key, value FROM parquet_kv_metadata('{path}.parquet')").fetchall()
    }
    found[name] = result
json.dump(found, sys.stdout)
