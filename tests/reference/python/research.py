#!/usr/bin/env python3
"""The rows that leave the record for research, read by another program: DuckDB.

    python3 research.py DIR [--k 5]

DIR holds `visits`, `prescriptions` and `outcomes`, each as .csv and .parquet, of one record under one key. Checked by SQL:

- both kinds of file hold the same rows, and the Parquet columns are of the types that are promised;
- every pair of age band and sex is of at least k cases, or blank; so is every id in its column, but `other`;
- a case has one sex or none, and no five-year band stands beside the ten-year band around it;
- rows stand in the order of cases, visits are numbered without gaps, `day` is what the dates say;
- weights as text and as number agree; a prescription's version is one more than its parent's.
"""

import argparse
import sys
from pathlib import Path

import duckdb

TEXT, WHOLE, DAY, DOUBLE = "VARCHAR", "BIGINT", "DATE", "DOUBLE"
TABLES = {
    "visits": {
        "case": TEXT, "visit": WHOLE, "date": DAY, "age": TEXT, "sex": TEXT, "findings": TEXT, "absent": TEXT,
        "patterns": TEXT, "day": WHOLE,
    },
    "prescriptions": {
        "case": TEXT, "visit": WHOLE, "prescription": WHOLE, "parent": WHOLE, "version": WHOLE, "state": TEXT, "date": DAY,
        "formula": TEXT, "substance": TEXT, "grams": TEXT, "grams_number": DOUBLE, "form": TEXT, "days": WHOLE,
    },
    "outcomes": {
        "case": TEXT, "measure": WHOLE, "least": DOUBLE, "most": DOUBLE, "better": TEXT, "unit": TEXT, "date": DAY,
        "value": DOUBLE,
    },
}
IDS = {"visits": ["findings", "absent", "patterns"], "prescriptions": ["formula", "substance"], "outcomes": ["unit"]}

# Each gives the rows that are wrong.
CHECKS = {
    "a pair of age and sex of fewer than k cases": """
        SELECT age, sex, count(DISTINCT "case") AS cases FROM visits GROUP BY age, sex
        HAVING cases < $k AND NOT (age IS NULL AND sex IS NULL)""",
    "a case with more than one sex": """
        SELECT "case" FROM visits GROUP BY "case" HAVING count(DISTINCT coalesce(sex, '-')) > 1""",
    "a band beside the wider band around it": """
        WITH bands AS (
            SELECT DISTINCT age, sex, CAST(string_split(age, '-')[1] AS INT) AS low, CAST(string_split(age, '-')[-1] AS INT) AS high
            FROM visits WHERE age IS NOT NULL AND age <> '90+')
        SELECT a.age, b.age, a.sex FROM bands a JOIN bands b
        ON a.sex IS NOT DISTINCT FROM b.sex AND a.age <> b.age AND a.low >= b.low AND a.high <= b.high""",
    "visits with a gap in their numbers": """
        SELECT "case" FROM visits GROUP BY "case" HAVING min(visit) <> 1 OR max(visit) <> count(*) OR count(DISTINCT visit) <> count(*)""",
    "a day that the dates do not say": """
        SELECT * FROM (SELECT *, date - min(date) OVER (PARTITION BY "case") AS wanted FROM visits) WHERE day <> wanted""",
    "a prescription at a visit that is not there": """
        SELECT p."case", p.visit FROM prescriptions p ANTI JOIN visits v ON p."case" = v."case" AND p.visit = v.visit
        WHERE p.visit IS NOT NULL""",
    "a version that does not follow its parent": """
        SELECT p."case", p.prescription FROM prescriptions p JOIN prescriptions q ON p."case" = q."case" AND p.parent = q.prescription
        WHERE p.version <> q.version + 1""",
    "a first version that has a parent, or a later one that has none": """
        SELECT "case", prescription FROM prescriptions WHERE (parent IS NULL) <> (version = 1)""",
    "a weight whose text and number differ": """
        SELECT grams, grams_number FROM prescriptions
        WHERE (grams IS NULL) <> (grams_number IS NULL)
        OR CASE WHEN contains(grams, '/') THEN CAST(string_split(grams, '/')[1] AS DOUBLE) / CAST(string_split(grams, '/')[2] AS DOUBLE)
           ELSE CAST(grams AS DOUBLE) END <> grams_number""",
    "a case that is no 128 bits in hexadecimal": """
        SELECT "case" FROM (SELECT "case" FROM visits UNION SELECT "case" FROM prescriptions UNION SELECT "case" FROM outcomes)
        WHERE NOT regexp_full_match("case", '[0-9a-f]{32}')""",
}


def quoted(path):
    return "'" + str(path).replace("'", "''") + "'"


def read(db, folder, wrong):
    """The Parquet files as tables of their names, the CSV as `NAME_csv`."""
    for table, columns in TABLES.items():
        csv, parquet = (quoted(folder / f"{table}.{ending}") for ending in ("csv", "parquet"))
        types = ", ".join(f"'{name}': '{kind}'" for name, kind in columns.items())
        db.execute(f"CREATE TABLE {table} AS SELECT * FROM read_parquet({parquet})")
        db.execute(f"CREATE TABLE {table}_csv AS SELECT * FROM read_csv({csv}, header = true, columns = {{{types}}}, auto_detect = false, "
                   "delim = ',', quote = '\"', escape = '\"')")
        found = {name: kind for name, kind, *_ in db.execute(f"DESCRIBE {table}").fetchall()}
        if list(found.items()) != list(columns.items()):
            wrong.append(f"{table}.parquet: the columns are {found}")
        header = (folder / f"{table}.csv").open(encoding="utf-8").readline().strip().split(",")
        if header != list(columns):
            wrong.append(f"{table}.csv: the header is {header}")
        unsorted = f"""SELECT count(*) FROM (
            SELECT "case", lag("case") OVER (ORDER BY file_row_number) AS before FROM read_parquet({parquet}, file_row_number = true))
            WHERE "case" < before"""
        if db.execute(unsorted).fetchone()[0]:
            wrong.append(f"{table}.parquet: rows are not in the order of cases")


def compare(db, wrong):
    for table in TABLES:
        for one, other in ((table, f"{table}_csv"), (f"{table}_csv", table)):
            rows = db.execute(f"SELECT * FROM {one} EXCEPT ALL SELECT * FROM {other}").fetchall()
            if rows:
                wrong.append(f"{len(rows)} rows are in {one} and not in {other}, such as {rows[0]}")


def check(db, k, wrong):
    for what, sql in CHECKS.items():
        rows = db.execute(sql, {"k": k} if "$k" in sql else None).fetchall()
        if rows:
            wrong.append(f"{what}: {len(rows)}, such as {rows[0]}")
    for table, columns in IDS.items():
        for column in columns:
            rows = db.execute(f"""
                WITH ids AS (SELECT DISTINCT "case", unnest(string_split({column}, ' ')) AS id FROM {table})
                SELECT id, count(*) AS cases FROM ids WHERE id <> 'other' GROUP BY id HAVING cases < $k""", {"k": k}).fetchall()
            if rows:
                wrong.append(f"{table}.{column}: {len(rows)} ids of fewer than {k} cases, such as {rows[0]}")
    cases = " UNION ".join(f'SELECT "case" FROM {table}' for table in TABLES)
    persons = db.execute(f"SELECT count(*) FROM ({cases})").fetchone()[0]
    if persons < k:
        wrong.append(f"{persons} cases in all, fewer than {k}")
    return persons


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("dir", type=Path)
    parser.add_argument("--k", type=int, default=5)
    options = parser.parse_args()
    db, wrong = duckdb.connect(), []
    read(db, options.dir, wrong)
    compare(db, wrong)
    persons = check(db, options.k, wrong)
    counts = ", ".join(f"{db.execute(f'SELECT count(*) FROM {table}').fetchone()[0]} {table}" for table in TABLES)
    print(f"DuckDB {duckdb.__version__}: {persons} cases, {counts}; k = {options.k}")
    for line in wrong:
        print(f"research: {line}", file=sys.stderr)
    if not wrong:
        print("research: CSV and Parquet are equal, and every cell that is told has k cases")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
