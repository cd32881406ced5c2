#!/usr/bin/env python3
"""A million prescriptions checked: ours against the same rules in DuckDB, on the same file, in the same run.

    cargo build -q --release -p fangwright
    python3 benches/check_vs_duckdb.py          # needs `pip install duckdb`; about 600 MB in target/bench

From a fixed seed, prescriptions of twelve different substances each are written as JSON lines and as Parquet. Both
sides say how many prescriptions each rule of the topics incompatible, dose and pregnancy fires in. DuckDB gets its
tables from data/ by this file, not from our program, so that neither copies a mistake of the other; every finding is
then compared, and a difference ends the run with code 1. Making the tables is not timed on either side. Every way of
writing the SQL is timed, and the fastest is what we are measured against.
"""

import argparse
import filecmp
import json
import os
import pathlib
import random
import statistics
import subprocess
import sys
import time
import tomllib
from collections import Counter
from fractions import Fraction
from itertools import accumulate

import duckdb

ROOT = pathlib.Path(__file__).resolve().parent.parent
BENCH = ROOT / "target/bench"
TOPICS = ("incompatible", "dose", "pregnancy")
SIZE = 12
PREGNANT = 0.08
GRAM = 1_000_000  # micrograms: every weight is a whole number of them, so that no comparison is in floating point
NO_LIMIT = 1 << 62
SEVERITIES = ("deadly", "grave", "caution", "note")

# The child is started by this and not by the bench: what is forked from a large process takes over its peak memory.
MEASURE = """
import json, os, subprocess, sys, time
start = time.perf_counter()
child = subprocess.Popen(sys.argv[1:], stdout=subprocess.PIPE)
answer = child.stdout.read().decode()
_, status, used = os.wait4(child.pid, 0)
wall = time.perf_counter() - start
cpu = used.ru_utime + used.ru_stime
print(json.dumps([os.waitstatus_to_exitcode(status), answer, wall, cpu, used.ru_maxrss / 1024]))
"""


def records(folder, key):
    for path in sorted((ROOT / "data" / folder).glob("*.toml")):
        yield from tomllib.loads(path.read_text()).get(key, [])


def in_micrograms(grams):
    """Whole micrograms, rounded down: a whole number is above `grams` exactly if it is above this."""
    return Fraction(grams) * GRAM // 1


def dose_range(substance):
    """Least and most in micrograms when it is decocted; none for what is only used on the outside."""
    dose = substance["dose"]
    text = dose.get("decoction") or dose.get("pill") or dose.get("powder")
    if text is None:
        return None
    amount, unit = text.split()
    assert unit == "g", text
    least, _, most = amount.partition("-")
    bounds = in_micrograms(least), in_micrograms(most or least)
    # Marks are multiples of the top, so nothing of it may be lost.
    assert bounds[1] == Fraction(most or least) * GRAM, text
    return bounds


# The prescriptions.


def typical_doses(rng, substance):
    """Doses to pick from, as they are written: mostly in the range, a few above it, fewer far above."""
    least, most = dose_range(substance) or (GRAM, 9 * GRAM)
    # Steps in which people weigh: whole grams where the range has room for them.
    step = next((s for s in (GRAM, GRAM // 10, GRAM // 100, GRAM // 1000, 500) if most - least >= 2 * s), most)
    found = []
    for _ in range(400):
        dose = least + step * rng.randint(0, (most - least) // step)
        kind = rng.random()
        if kind < 0.015:
            dose = most * rng.randint(4, 16) // 2  # often exactly at twice or three times the top, where a rule begins
        elif kind < 0.055:
            dose = most + step * rng.randint(1, 3)
        elif kind < 0.13:
            dose += step // 2
        found.append(f"{dose // GRAM}.{dose % GRAM:06}".rstrip("0").rstrip("."))
    return found


def unmistakable(substances):
    """Substances whose hanzi is not also a name of several."""
    several = set()
    for entry in records("names", "ambiguous"):
        several |= {entry["name"], *entry["also"]}
    return [s for s in substances if s["hanzi"] not in several]


def write_prescriptions(out, n, seed, substances):
    rng = random.Random(seed)
    usable = unmistakable(substances)
    number = {s["id"]: i for i, s in enumerate(usable)}
    doses = [typical_doses(rng, s) for s in usable]
    name = [json.dumps(s["hanzi"], ensure_ascii=False) for s in usable]
    items = [[f'{{"name":{name[i]},"grams":{d}}}' for d in doses[i]] for i in range(len(usable))]
    starts, uses = [], Counter()
    for formula in records("formulas", "formula"):
        held = list(dict.fromkeys(number[i["s"]] for i in formula["ingredients"] if i["s"] in number))
        uses.update(held)
        if held:
            starts.append(held)
    # What no formula uses is rare, but has rules that want to be tried as well.
    weights = list(accumulate(uses[i] + 0.25 for i in range(len(usable))))
    for line in range(1, n + 1):
        start = rng.choice(starts)
        chosen = dict.fromkeys(start if len(start) <= SIZE else rng.sample(start, SIZE))
        while len(chosen) < SIZE:
            chosen.update(dict.fromkeys(rng.choices(range(len(usable)), cum_weights=weights, k=SIZE - len(chosen))))
        listed = ",".join(rng.choice(items[i]) for i in chosen)
        pregnant = "true" if rng.random() < PREGNANT else "false"
        out.write(f'{{"id":"{line}","items":[{listed}],"patient":{{"pregnant":{pregnant}}}}}\n')


def write_parquet(lines, to):
    duckdb.connect().execute(f"""
        COPY (
            SELECT id, [i.name FOR i IN items] AS names, [i.grams FOR i IN items] AS grams, patient.pregnant AS pregnant
            FROM read_json('{lines}', format = 'newline_delimited', columns = {{
                id: 'VARCHAR',
                items: 'STRUCT(name VARCHAR, grams DOUBLE)[]',
                patient: 'STRUCT(pregnant BOOLEAN)'
            }})
        ) TO '{to}' (FORMAT parquet)
    """)


def prescriptions(n, seed, substances):
    """The files as (JSON lines, Parquet): all of the prescriptions, and the first tenth of them."""
    BENCH.mkdir(parents=True, exist_ok=True)
    names = "prescriptions", "prescriptions-tenth"
    whole, tenth = [(BENCH / f"{name}.jsonl", BENCH / f"{name}.parquet") for name in names]
    made = BENCH / "prescriptions.json"
    what = {"n": n, "seed": seed}
    newest = max(p.stat().st_mtime for p in [pathlib.Path(__file__), *(ROOT / "data").rglob("*.toml")])
    fresh = made.exists() and made.stat().st_mtime > newest and json.loads(made.read_text()) == what
    if not fresh or not all(p.exists() for p in (*whole, *tenth)):
        print(f"writing {n} prescriptions", file=sys.stderr)
        made.unlink(missing_ok=True)
        with whole[0].open("w") as out:
            write_prescriptions(out, n, seed, substances)
        with whole[0].open() as lines, tenth[0].open("w") as out:
            out.writelines(line for _, line in zip(range(max(1, n // 10)), lines))
        for lines, parquet in (whole, tenth):
            write_parquet(lines, parquet)
        # Last of all, so that a run that was stopped leaves nothing to reuse.
        made.write_text(json.dumps(what))
    return whole, tenth


# The rules, from the data.


class Substances:
    def __init__(self, all_):
        self.all = all_
        self.number = {s["id"]: i for i, s in enumerate(all_)}
        self.parent = {s["id"]: s.get("parent") for s in all_}

    def with_forms(self, ids):
        """These and everything whose chain of parents leads to one of them."""
        wanted, found = set(ids), set()
        for s in self.parent:
            at = s
            while at is not None and at not in wanted:
                at = self.parent[at]
            if at is not None:
                found.add(s)
        return found

    def select(self, rule):
        fields = ("families", "family"), ("categories", "category"), ("toxicity", "toxicity"), ("kinds", "kind")
        found = self.with_forms(rule.get("substances", [])) | set(rule.get("only", []))
        for s in self.all:
            if (
                rule.get("all")
                or any(s[field] in rule.get(key, []) for key, field in (*fields, ("pregnancy", "pregnancy")))
                or set(s["actions"]) & set(rule.get("actions", []))
                or {name.split()[0] for name in s["species"] if name.strip()} & set(rule.get("genera", []))
            ):
                found.add(s["id"])
        return self.numbers(found - set(rule.get("except", [])))

    def numbers(self, ids):
        return sorted(self.number[i] for i in ids)


def known_conditions():
    """What is true of a pregnant patient of whom nothing else is known."""
    conditions = tomllib.loads((ROOT / "data/safety/conditions.toml").read_text())["conditions"]
    known, open_ = set(), ["pregnant"]
    while open_:
        condition = open_.pop()
        known.add(condition)
        open_ += [i for i in conditions[condition].get("implies", []) if i not in known]
    return known


def dose_steps(top, rules):
    """From what dose to what dose which rule counts: of those that are passed the gravest, then the higher one."""
    marks = [(SEVERITIES.index(severity), -Fraction(over), rule) for rule, severity, over in rules]
    marks = [(-over * top // 1, rule) for _, over, rule in sorted(marks)]
    bounds = sorted({mark for mark, _ in marks})
    for low, high in zip(bounds, [*bounds[1:], NO_LIMIT]):
        yield low, high, next(rule for mark, rule in marks if mark <= low)


def tables(substances):
    """The ids of the rules; rules of one substance as (substance, rule, above, up to, only if pregnant); and the sides
    of pairs as (substance, rule, side), where side is 1, 2, or 3 for both."""
    known = known_conditions()
    ids, single, pairs = [], [], []
    dosed = [[] for _ in substances.all]
    for rule in records("safety", "rule"):
        # Nobody in the files takes a medicine that we know of, and `unchecked` is no finding on a substance.
        if rule["topic"] not in TOPICS or rule["kind"] in ("medicine", "unchecked"):
            continue
        taken = rule.get("taken", ["any"])
        if not {"any", "decoction"} & set(taken):
            continue
        members = substances.select(rule)
        if not members:
            sys.exit(f"{rule['id']} selects nothing: has it a selector that is not known here?")
        r = len(ids)
        match rule["kind"]:
            case "pair":
                right = substances.with_forms(rule.get("with", [])) | set(rule.get("with_only", []))
                right = set(substances.numbers(right))
                left = set(members)
                pairs += [(s, r, (s in left) + 2 * (s in right)) for s in sorted(left | right)]
            case "present":
                single += [(s, r, -1, NO_LIMIT, False) for s in members]
            case "patient":
                if not known & set(rule["when"]):
                    continue
                above = in_micrograms(rule["above"].removesuffix(" g")) if "above" in rule else -1
                single += [(s, r, above, NO_LIMIT, True) for s in members]
            case "dose":
                for s in members:
                    dosed[s].append((r, rule["severity"], rule["over"]))
            case other:
                sys.exit(f"{rule['id']}: rules of the kind `{other}` are not written in SQL here")
        ids.append(rule["id"])
    for s, rules in enumerate(dosed):
        bounds = dose_range(substances.all[s])
        if bounds and rules:
            single += [(s, r, low, high, False) for low, high, r in dose_steps(bounds[1], rules)]
    return ids, single, pairs


# DuckDB.

# Multiplied, a double can be off in its last bit; the cast rounds to the nearest whole microgram.
ITEMS = """
    SELECT rx, s, CAST(grams * 1000000 AS BIGINT) AS ug, pregnant
    FROM (
        SELECT file_row_number AS rx, pregnant, unnest(names) AS hanzi, unnest(grams) AS grams
        FROM read_parquet('{parquet}', file_row_number = true)
    ) JOIN substances USING (hanzi)
"""
SINGLE = """
    SELECT rx, rule FROM items JOIN single USING (s)
    WHERE ug > low AND ug <= high AND (pregnant OR NOT if_pregnant)
"""
# Each gives (prescription, rule), each of them once.
WAYS = {
    "sides joined": f"""{SINGLE}
        UNION
        SELECT l.rx, l.rule
        FROM (SELECT rx, s, rule FROM items JOIN sides USING (s) WHERE (side & 1) = 1) l
        JOIN (SELECT rx, s, rule FROM items JOIN sides USING (s) WHERE (side & 2) = 2) r
        ON l.rx = r.rx AND l.rule = r.rule AND l.s <> r.s
    """,
    "every pair listed": f"""{SINGLE}
        UNION
        SELECT l.rx, p.rule
        FROM items l JOIN pairs p ON l.s = p.s JOIN items r ON r.rx = l.rx AND r.s = p.other
    """,
    # Substances are different within a prescription: two rows of one rule are two substances.
    "sides grouped": f"""{SINGLE}
        UNION
        SELECT rx, rule FROM items JOIN sides USING (s) GROUP BY rx, rule HAVING bit_or(side) = 3 AND count(*) > 1
    """,
    # Rules of one substance have side 4.
    "all rules in one": """
        SELECT rx, rule FROM items JOIN every USING (s)
        WHERE ug > low AND ug <= high AND (pregnant OR NOT if_pregnant)
        GROUP BY rx, rule HAVING bit_or(side) = 4 OR bit_or(side) = 3 AND count(*) > 1
    """,
}


def count(found, items=None):
    """The question that both sides answer; `items` is where they come from, if not from the table of that name."""
    # Without MATERIALIZED the file would be read again for every mention of `items`.
    given = f"WITH items AS MATERIALIZED ({items})" if items else ""
    return f"{given} SELECT rule, count(*) FROM ({found}) GROUP BY rule"


def fill(db, name, columns, rows):
    db.execute(f"CREATE TABLE {name} ({columns})")
    # In one text: row by row would take longer than the bench.
    if rows:
        db.execute(f"INSERT INTO {name} VALUES " + ",".join(f"({', '.join(map(str, row))})" for row in rows))


def open_duckdb(substances, single, pairs):
    db = duckdb.connect()
    db.execute("SET threads = 1")
    quoted = [(i, "'" + s["hanzi"].replace("'", "''") + "'") for i, s in enumerate(substances.all)]
    fill(db, "substances", "s SMALLINT, hanzi VARCHAR", quoted)
    fill(db, "single", "s SMALLINT, rule SMALLINT, low BIGINT, high BIGINT, if_pregnant BOOLEAN", single)
    fill(db, "sides", "s SMALLINT, rule SMALLINT, side UTINYINT", pairs)
    db.execute(f"""
        CREATE TABLE pairs AS
            SELECT l.s, r.s AS other, l.rule FROM sides l JOIN sides r USING (rule)
            WHERE (l.side & 1) = 1 AND (r.side & 2) = 2 AND l.s <> r.s;
        CREATE TABLE every AS
            SELECT *, 4::UTINYINT AS side FROM single
            UNION ALL BY NAME
            SELECT *, -1 AS low, {NO_LIMIT} AS high, false AS if_pregnant FROM sides;
    """)
    return db


def timed(db, sql):
    wall, cpu = time.perf_counter(), time.process_time()
    rows = db.execute(sql).fetchall()
    return dict(rows), time.perf_counter() - wall, time.process_time() - cpu


# Our program.


class Ours:
    def __init__(self, binary):
        self.binary = str(pathlib.Path(binary).resolve())
        # Records that somebody keeps in their own folder would make other rules.
        self.env = {**os.environ, "XDG_DATA_HOME": str(BENCH / "no-such-folder")}

    def check(self, path, topics, threads, *more):
        words = [word for topic in topics for word in ("--topic", topic)]
        command = [self.binary, "check", "--batch", str(path), *words, "--threads", str(threads), "--json", *more]
        done = subprocess.run(
            [sys.executable, "-S", "-c", MEASURE, *command], capture_output=True, text=True, check=True, env=self.env
        )
        code, answer, wall, cpu, peak = json.loads(done.stdout)
        # 3 says that a grave finding stands, which among so many one does.
        if code not in (0, 3):
            sys.exit(f"{' '.join(command)}: code {code}\n{done.stderr}{answer}")
        result = json.loads(answer)["result"]
        if result["unreadable"]:
            sys.exit(f"{path}: {result['unreadable']} were not read, the first: {result['problems'][0]}")
        return {"result": result, "seconds": result["seconds"], "wall": wall, "cpu": cpu, "peak": peak}


# The comparison.


def differences(db, ids, unchecked, whole, out, n):
    """Prints where the findings differ, and says in how many of (prescription, rule) they do and how many there are."""
    fill(db, "ids", "rule SMALLINT, id VARCHAR", [(i, f"'{rule}'") for i, rule in enumerate(ids)])
    db.execute(f"""
        CREATE TABLE lines AS
            SELECT id, line, findings FROM read_json('{out}', format = 'newline_delimited',
                columns = {{line: 'BIGINT', id: 'VARCHAR', findings: 'VARCHAR[][]'}});
        CREATE TABLE ours AS
            SELECT DISTINCT id, finding[1] AS rule FROM (SELECT id, unnest(findings) AS finding FROM lines)
            WHERE NOT list_contains({unchecked}, finding[1]);
        CREATE TABLE theirs AS
            SELECT p.id, ids.id AS rule FROM ({WAYS["all rules in one"]}) JOIN ids USING (rule)
            JOIN (SELECT file_row_number AS rx, id FROM read_parquet('{whole}', file_row_number = true)) p USING (rx);
        CREATE TABLE differ AS
            SELECT 'only ours' AS side, * FROM (FROM ours EXCEPT FROM theirs)
            UNION ALL
            SELECT 'only DuckDB' AS side, * FROM (FROM theirs EXCEPT FROM ours);
    """)
    held = db.execute("SELECT count(*), count(DISTINCT id), count_if(id <> line::VARCHAR) FROM lines").fetchone()
    if held != (n, n, 0):
        sys.exit(f"{out}: lines, different ids, ids out of order: {held}; there are {n} prescriptions")
    rows = db.execute(f"""
        SELECT d.side, d.id, d.rule, p.pregnant, list_zip(p.names, p.grams)
        FROM (FROM differ ORDER BY id::BIGINT, rule LIMIT 20) d JOIN read_parquet('{whole}') p USING (id)
        ORDER BY d.id::BIGINT, d.rule
    """).fetchall()
    for side, id_, rule, pregnant, items in rows:
        listed = " ".join(f"{name} {grams:g}" for name, grams in items)
        print(f"  {side}: prescription {id_}, {rule}: {listed}{', pregnant' if pregnant else ''}")
    return db.execute("SELECT (SELECT count(*) FROM differ), (SELECT count(*) FROM ours)").fetchone()


def same_counts(ours, theirs, ids, unchecked, label):
    """Whether DuckDB counts what our program counts."""
    mine = {rule: n for rule, n in ours["fired"] if rule not in unchecked}
    other = {ids[rule]: n for rule, n in theirs.items()}
    wrong = sorted(r for r in mine.keys() | other.keys() if mine.get(r) != other.get(r))
    for rule in wrong[:20]:
        print(f"  {label}: {rule} in {mine.get(rule, 0)} prescriptions with ours, in {other.get(rule, 0)} with DuckDB")
    return not wrong


def main():
    parse = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parse.add_argument("--n", type=int, default=1_000_000, help="how many prescriptions")
    parse.add_argument("--seed", type=int, default=1)
    parse.add_argument("--runs", type=int, default=3, help="both sides in turn, medians are printed")
    parse.add_argument("--binary", default=str(ROOT / "target/release/fangwright"))
    args = parse.parse_args()

    built = pathlib.Path(args.binary).stat().st_mtime
    newer = [p for p in (ROOT / "data").rglob("*.toml") if p.stat().st_mtime > built]
    if newer:
        print(f"{newer[0].relative_to(ROOT)} is newer than {args.binary}, whose rules may be others", file=sys.stderr)
    substances = Substances(list(records("materia", "substance")))
    whole, tenth = prescriptions(args.n, args.seed, substances.all)
    ids, single, pairs = tables(substances)
    unchecked = [r["id"] for r in records("safety", "rule") if r["kind"] == "unchecked"]
    db, ours = open_duckdb(substances, single, pairs), Ours(args.binary)
    read = ITEMS.format(parquet=whole[1])
    db.execute(f"CREATE TABLE items AS {read}")
    held = db.execute("SELECT count(*) FROM items").fetchone()[0]
    assert held == SIZE * args.n, held

    # Label: which of the files, topics, threads.
    mine = {
        "ours, Parquet": (1, TOPICS, 1),
        "ours, JSON lines": (0, TOPICS, 1),
        "ours, Parquet, all topics": (1, (), 1),
        "ours, Parquet, 2 threads": (1, TOPICS, 2),
        "ours, JSON lines, 2 threads": (0, TOPICS, 2),
    }
    theirs = {}
    for way, found in WAYS.items():
        theirs[f"DuckDB, {way}"] = count(found, read)
    for way, found in WAYS.items():
        theirs[f"DuckDB, {way}, items in memory"] = count(found)
    runs = {label: [] for label in (*mine, *theirs)}
    good = True
    for _ in range(args.runs):
        for label, (file, topics, threads) in mine.items():
            runs[label].append(ours.check(whole[file], topics, threads))
        for label, sql in theirs.items():
            counts, wall, cpu = timed(db, sql)
            runs[label].append({"counts": counts, "seconds": wall, "cpu": cpu})
    small = {label: ours.check(tenth[file], topics, threads) for label, (file, topics, threads) in mine.items()}

    first = runs["ours, Parquet"][0]["result"]
    assert first["checked"] == args.n, first["checked"]
    gaps = dict(runs["ours, Parquet, all topics"][0]["result"]["fired"])
    # With the topics chosen our program would pass over a name that it does not know in silence.
    for rule in ("gap-name", "gap-several", "gap-weight"):
        if rule in gaps:
            print(f"  {rule} in {gaps[rule]} prescriptions: what the bench wrote is not understood")
            good = False
    for label in mine:
        for run in runs[label]:
            result = run["result"]
            if mine[label][1] and (result["fired"], result["standing"]) != (first["fired"], first["standing"]):
                print(f"  {label} counts otherwise than from Parquet with one thread")
                good = False
    for label in theirs:
        good &= all(same_counts(first, run["counts"], ids, unchecked, label) for run in runs[label])

    # Every finding, from both files and with both numbers of threads.
    outs = BENCH / "findings-parquet.jsonl", BENCH / "findings-lines.jsonl"
    written = ours.check(whole[1], TOPICS, 1, "--out", str(outs[0]))
    ours.check(whole[0], TOPICS, 2, "--out", str(outs[1]))
    if not filecmp.cmp(*outs, shallow=False):
        print(f"  {outs[0].name} and {outs[1].name} differ")
        good = False
    differ, findings = differences(db, ids, unchecked, whole[1], outs[0], args.n)
    good &= differ == 0

    print(f"{args.n} prescriptions of {SIZE} substances (seed {args.seed})")
    print(f"{len(ids)} rules that can fire in them, of which {len(first['fired'])} do")
    print(f"DuckDB {duckdb.__version__}, one thread, Python {sys.version.split()[0]}, median of {args.runs} in turn")
    print("processor: seconds of all threads, for ours with starting the program; whole: from its start to its end")
    print(f"peak MB: the highest with {args.n} prescriptions, and with {max(1, args.n // 10)}")
    print()
    median = {}
    for label, list_ in runs.items():
        median[label] = {key: statistics.median(run[key] for run in list_) for key in ("seconds", "cpu")}
    base = median["ours, Parquet"]["seconds"]
    print(f"{'':48}{'seconds':>9}{'processor':>11}{'whole':>9}{'a second':>12}{'ours is':>10}{'peak MB':>16}")
    for label, of in median.items():
        row = f"{label:48}{of['seconds']:9.3f}{of['cpu']:11.3f}"
        if label in mine:
            wall = f"{statistics.median(run['wall'] for run in runs[label]):.3f}"
            peak = max(run["peak"] for run in runs[label])
            last = f"{'':10}{peak:8.1f}{small[label]['peak']:8.1f}"
        else:
            wall, last = "", f"{of['seconds'] / base:9.2f}x"
        print(f"{row}{wall:>9}{args.n / of['seconds']:12,.0f}{last}")
    print()
    print(f"ours is: how many times as fast, from Parquet with one thread ({base:.3f} s, reading and names counted in)")
    print(f"every finding written, Parquet, one thread: {written['seconds']:.3f} s, peak {written['peak']:.1f} MB")
    fastest = min((label for label in theirs if "memory" not in label), key=lambda label: median[label]["seconds"])
    print(f"fastest with reading: {fastest}, {median[fastest]['seconds'] / base:.2f} times as long as ours")
    print(f"{findings} findings (prescription and rule), {differ} differ:", "equal" if good else "NOT EQUAL")
    if newer and not good:
        print("data/ is newer than the program: build it and run this again before looking for a mistake")
    sys.exit(0 if good else 1)


if __name__ == "__main__":
    main()
