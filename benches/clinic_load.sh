#!/usr/bin/env bash
# 200 users at work on an invented clinic of 2,000, 20,000 and 200,000 visits, on SQLite and on PostgreSQL: once as people work
# (they think for a second), and once without a pause, each on the same store. Prints all figures as Markdown tables.
#
#     FANGWRIGHT_POSTGRES=postgres://clinic@127.0.0.1:5432/postgres benches/clinic_load.sh
#     SIZES=2000 SECONDS_EACH=10 benches/clinic_load.sh      # a short look
#
# Without FANGWRIGHT_POSTGRES only SQLite is measured, and it is said. PostgreSQL's own memory is not in the figures. A run that is
# broken off leaves its schema (load_…) behind. The exit code is 1 if any request failed.
set -euo pipefail
cd "$(dirname "$0")/.."

sizes=${SIZES:-"2000 20000 200000"}
users=${USERS:-200}
seconds=${SECONDS_EACH:-60}
folder=$(mktemp -d)
trap 'rm -rf "$folder"' EXIT
out="$folder/figures.jsonl"
failed=0

cargo build -q --profile checked -p fangwright -p fangwright-checks --bin fangwright --bin clinic_load

# An exit code of 1 says that requests failed: the figures are there all the same. Any other one ends all of this.
load() {
    local code=0
    target/checked/clinic_load --users "$users" --seconds "$seconds" --json "$@" >>"$out" || code=$?
    if [ "$code" -gt 1 ]; then exit "$code"; fi
    if [ "$code" -eq 1 ]; then failed=1; fi
}

for visits in $sizes; do
    file="$folder/clinic-$visits.sqlite"
    echo "· SQLite, $visits visits" >&2
    load --store "$file" --visits "$visits" --think-ms 1000
    load --store "$file" --skip-fill --think-ms 0
    rm -f "$file" "$file"-*
    if [ -n "${FANGWRIGHT_POSTGRES:-}" ]; then
        echo "· PostgreSQL, $visits visits" >&2
        schema="load_${visits}_$$"
        load --store "$FANGWRIGHT_POSTGRES" --fresh-schema "$schema" --visits "$visits" --think-ms 1000
        load --store "$FANGWRIGHT_POSTGRES" --schema "$schema" --skip-fill --think-ms 0 --drop
    else
        echo "· PostgreSQL is NOT measured: FANGWRIGHT_POSTGRES is not set" >&2
    fi
done

python3 - "$out" <<'PY'
import json
import sys

runs = [json.loads(line) for line in open(sys.argv[1], encoding="utf-8")]


def table(head, rows):
    print("| " + " | ".join(head) + " |")
    print("|" + "|".join(["---"] + ["---:"] * (len(head) - 1)) + "|")
    for row in rows:
        print("| " + " | ".join(row) + " |")
    print()


def times(f):
    return [f"{f[key]:.1f}" for key in ("p50_ms", "p95_ms", "p99_ms", "max_ms")]


heads = ["p50 ms", "p95 ms", "p99 ms", "max ms"]
table(
    ["store", "visits", "users", "think ms", "requests/s", *heads, "errors", "peak MiB"],
    [
        [r["store"], f"{r['visits']:,}", str(r["users"]), str(r["think_ms"]), f"{r['per_second']:.1f}"]
        + times(r["all"])
        + [str(r["errors"]), str(r["peak_mib"])]
        for r in runs
    ],
)
for r in runs:
    print(f"{r['store']}, {r['visits']:,} visits, thinking {r['think_ms']} ms:\n")
    table(["work", "count", *heads], [[name, str(f["count"]), *times(f)] for name, f in r["work"].items()])
PY
exit "$failed"
