#!/usr/bin/env python3
"""A million prescriptions checked: ours against the same rules in DuckDB, on the same file, in the same run.

    cargo build -q --release -p fangwright -p fangwright-benches
    python3 benches/check_vs_duckdb.py          # needs `pip install duckdb`; about 600 MB in target/bench
    python3 benches/check_vs_duckdb.py --equality-only --n 5000 --binary target/checked/fangwright   # in seconds

From a fixed seed, prescriptions of twelve different substances each are written as JSON lines and as Parquet. Both
sides say how many prescriptions each rule of the topics incompatible, dose and pregnancy fires in. DuckDB gets its
tables from data/ by this file, not from our program, so that neither copies a mistake of the other; every finding is
then compared, and a difference ends the run with code 1. Making the tables is not timed on either side. Every way of
writing the SQL is timed, each against ours from the same kind of file, or from memory.
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
from collections import Counter, defaultdict
from fractions import Fraction
from itertools import accumulate, islice

import duckdb

ROOT = pathlib.Path(__file__).resolve().parent.parent
BENCH = ROOT / "target/bench"
TOPICS = ("incompatible", "dose", "pregnancy")
SIZE = 12
PREGNANT = 0.08
GRAM = 1_000_000  # micrograms: every weight is a whole number of them, so that no comparison is in floating point
NO_LIMIT = 1 << 62
IN_MEMORY = 200_000  # as many as our program is given at once where all are held in memory
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
    rows = LINES.format(path=lines)
    duckdb.connect().execute(f"COPY (SELECT id, names, grams, pregnant FROM ({rows})) TO '{to}' (FORMAT parquet)")


def prescriptions(folder, n, seed, substances):
    """The prescriptions as (JSON lines, Parquet)."""
    folder.mkdir(parents=True, exist_ok=True)
    lines, parquet = folder / "prescriptions.jsonl", folder / "prescriptions.parquet"
    made = folder / "prescriptions.json"
    what = {"n": n, "seed": seed}
    newest = max(p.stat().st_mtime for p in [pathlib.Path(__file__), *(ROOT / "data").rglob("*.toml")])
    fresh = made.exists() and made.stat().st_mtime > newest and json.loads(made.read_text()) == what
    if not fresh or not lines.exists() or not parquet.exists():
        print(f"writing {n} prescriptions", file=sys.stderr)
        made.unlink(missing_ok=True)
        with lines.open("w") as out:
            write_prescriptions(out, n, seed, substances)
        write_parquet(lines, parquet)
        # Last of all, so that a run that was stopped leaves nothing to reuse.
        made.write_text(json.dumps(what))
    return lines, parquet


def beginning(path, n, name):
    """The first lines in a file of their own."""
    to = path.with_name(name)
    with path.open() as lines, to.open("w") as out:
        out.writelines(islice(lines, n))
    return to


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

# Rows of a file, one a prescription.
PARQUET = """
    SELECT file_row_number AS rx, id, names, grams, pregnant FROM read_parquet('{path}', file_row_number = true)
"""
LINES = """
    SELECT
        row_number() OVER () AS rx, id, patient.pregnant AS pregnant,
        [i.name FOR i IN items] AS names, [i.grams FOR i IN items] AS grams
    FROM read_json('{path}', format = 'newline_delimited', columns = {{
        id: 'VARCHAR', items: 'STRUCT(name VARCHAR, grams DOUBLE)[]', patient: 'STRUCT(pregnant BOOLEAN)'
    }})
"""
# What the rules are asked of, made from such rows. Multiplied, a double can be off in its last bit; the cast rounds to
# the nearest whole microgram.
TABLES = {
    "items": """
        SELECT rx, s, CAST(grams * 1000000 AS BIGINT) AS ug, pregnant
        FROM (SELECT rx, pregnant, unnest(names) AS hanzi, unnest(grams) AS grams FROM ({rows}))
        JOIN substances USING (hanzi)
    """,
    "lists": "SELECT rx, names, [CAST(g * 1000000 AS BIGINT) FOR g IN grams] AS ug, pregnant FROM ({rows})",
}
SINGLE = """
    SELECT rx, rule FROM items JOIN single USING (s)
    WHERE ug > low AND ug <= high AND (pregnant OR NOT if_pregnant)
"""
# Each gives (prescription, rule) from `items`, each of them once.
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
        SELECT rx, rule, count(*) AS substances FROM items JOIN every USING (s)
        WHERE ug > low AND ug <= high AND (pregnant OR NOT if_pregnant)
        GROUP BY rx, rule HAVING bit_or(side) = 4 OR bit_or(side) = 3 AND count(*) > 1
    """,
}


# By what this bench has shown so far; its table says whether that still holds.
FASTEST = "sides grouped"


def rule_by_rule(substances, single, pairs):
    """As a rulebook is read: every rule asks for itself, of the lists that a row of the file holds."""
    hanzi = [quoted(s["hanzi"]) for s in substances.all]

    # `list_has_any` says the same, and takes ten times as long.
    def any_of(members):
        return "(" + " OR ".join(f"list_contains(names, {hanzi[s]})" for s in members) + ")"

    sides, bounds = defaultdict(list), defaultdict(list)
    for s, rule, side in pairs:
        sides[rule].append((s, side))
    for s, rule, *bound in single:
        bounds[rule].append((s, *bound))
    asked = {}
    for rule, members in sides.items():
        left, right = ([s for s, side in members if side & bit] for bit in (1, 2))
        asked[rule] = f"{any_of(left)} AND {any_of(right)}"
        if set(left) & set(right):
            # One substance that is on both sides does not meet itself.
            either = ", ".join(hanzi[s] for s, _ in members)
            asked[rule] += f" AND len(list_intersect(names, [{either}])) > 1"
    for rule, members in bounds.items():
        if all((low, high) == (-1, NO_LIMIT) for _, low, high, _ in members):
            asked[rule] = any_of(s for s, *_ in members)
        else:
            # Far quicker than `list_filter` with all the bounds of a rule written into it.
            asked[rule] = f"""EXISTS (
                SELECT 1 FROM (SELECT unnest(names) AS hanzi, unnest(ug) AS dose) JOIN bounds USING (hanzi)
                WHERE rule = {rule} AND dose > low AND dose <= high
            )"""
        if all(if_pregnant for *_, if_pregnant in members):
            asked[rule] = f"pregnant AND {asked[rule]}"
    return " UNION ALL ".join(f"SELECT rx, {rule} AS rule FROM lists WHERE {sql}" for rule, sql in asked.items())


def count(found, table, rows=None):
    """The question that both sides answer; without rows of a file to make it from, the table is in memory already."""
    given = ""
    if rows:
        # Without MATERIALIZED the file would be read again for every mention of the table.
        given = f"WITH {table} AS MATERIALIZED ({TABLES[table].format(rows=rows)})"
    elif table == "lists":
        # Each rule reads all of it: a copy for this one question is so much faster to read that it pays.
        given = "WITH lists AS MATERIALIZED (FROM lists)"
    return f"{given} SELECT rule, count(*) FROM ({found}) GROUP BY rule"


def quoted(text):
    return "'" + text.replace("'", "''") + "'"


def fill(db, name, columns, rows):
    db.execute(f"CREATE TABLE {name} ({columns})")
    # In one text: row by row would take longer than the bench.
    if rows:
        db.execute(f"INSERT INTO {name} VALUES " + ",".join(f"({', '.join(map(str, row))})" for row in rows))


def open_duckdb(substances, ids, single, pairs, parquet):
    """With all that is not timed: the rules as tables, and the prescriptions in memory."""
    db = duckdb.connect()
    db.execute("SET threads = 1")
    named = [(i, quoted(s["hanzi"])) for i, s in enumerate(substances.all)]
    fill(db, "substances", "s SMALLINT, hanzi VARCHAR", named)
    fill(db, "ids", "rule SMALLINT, id VARCHAR", [(i, quoted(rule)) for i, rule in enumerate(ids)])
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
        CREATE TABLE bounds AS SELECT hanzi, rule, low, high FROM single JOIN substances USING (s);
    """)
    for table, made in TABLES.items():
        db.execute(f"CREATE TABLE {table} AS {made.format(rows=PARQUET.format(path=parquet))}")
    return db


def timed(db, sql):
    wall, cpu = time.perf_counter(), time.process_time()
    rows = db.execute(sql).fetchall()
    return {"counts": dict(rows), "seconds": time.perf_counter() - wall, "cpu": time.process_time() - cpu}


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


def rate(binary, path, topics):
    """Of cases that are in memory already, in one thread: the best of five times."""
    return json.loads(subprocess.run([binary, path, *topics], capture_output=True, text=True, check=True).stdout)


# The comparison.


def same_findings(db, ours, files, unchecked, n):
    """Every finding from both files, with one thread and with two, against DuckDB's: whether all are equal, how many
    there are, and what writing them from Parquet took."""
    lines, parquet = files
    outs = parquet.with_name("findings-parquet.jsonl"), parquet.with_name("findings-lines.jsonl")
    written = ours.check(parquet, TOPICS, 1, "--out", str(outs[0]))
    ours.check(lines, TOPICS, 2, "--out", str(outs[1]))
    good = filecmp.cmp(*outs, shallow=False)
    if not good:
        print(f"  {outs[0].name} and {outs[1].name} differ")
    db.execute(f"""
        CREATE TABLE lines AS
            SELECT id, line, findings FROM read_json('{outs[0]}', format = 'newline_delimited',
                columns = {{line: 'BIGINT', id: 'VARCHAR', findings: 'VARCHAR[][]'}});
        CREATE TABLE ours AS
            SELECT DISTINCT id, finding[1] AS rule FROM (SELECT id, unnest(findings) AS finding FROM lines)
            WHERE NOT list_contains({unchecked}, finding[1]);
        CREATE TABLE theirs AS
            SELECT p.id, ids.id AS rule FROM ({WAYS[FASTEST]}) JOIN ids USING (rule)
            JOIN ({PARQUET.format(path=parquet)}) p USING (rx);
        CREATE TABLE differ AS
            SELECT 'only ours' AS side, * FROM (FROM ours EXCEPT FROM theirs)
            UNION ALL
            SELECT 'only DuckDB' AS side, * FROM (FROM theirs EXCEPT FROM ours);
    """)
    held = db.execute("SELECT count(*), count(DISTINCT id), count_if(id <> line::VARCHAR) FROM lines").fetchone()
    if held != (n, n, 0):
        sys.exit(f"{outs[0]}: lines, different ids, ids out of order: {held}; there are {n} prescriptions")
    rows = db.execute(f"""
        SELECT d.side, d.id, d.rule, p.pregnant, list_zip(p.names, p.grams)
        FROM (FROM differ ORDER BY id::BIGINT, rule LIMIT 20) d JOIN read_parquet('{parquet}') p USING (id)
        ORDER BY d.id::BIGINT, d.rule
    """).fetchall()
    for side, id_, rule, pregnant, items in rows:
        listed = " ".join(f"{name} {grams:g}" for name, grams in items)
        print(f"  {side}: prescription {id_}, {rule}: {listed}{', pregnant' if pregnant else ''}")
    differ, findings = db.execute("SELECT (SELECT count(*) FROM differ), (SELECT count(*) FROM ours)").fetchone()
    return good and differ == 0, findings, written


def same_counts(ours, theirs, ids, unchecked, label):
    """Whether DuckDB counts what our program counts."""
    mine = {rule: n for rule, n in ours["fired"] if rule not in unchecked}
    other = {ids[rule]: n for rule, n in theirs.items()}
    wrong = sorted(r for r in mine.keys() | other.keys() if mine.get(r) != other.get(r))
    for rule in wrong[:20]:
        print(f"  {label}: {rule} in {mine.get(rule, 0)} prescriptions with ours, in {other.get(rule, 0)} with DuckDB")
    return not wrong


def print_rows(title, rows):
    print(title)
    print(f"{'':52}{'seconds':>9}{'processor':>11}{'whole':>9}{'a second':>13}{'ours is':>10}")
    for label, *cells in rows:
        print(f"{label:52}" + "".join(f"{cell:>{width}}" for cell, width in zip(cells, (9, 11, 9, 13, 10))))
    print()


def bench(args, db, ours, files, by_rule, ids, unchecked):
    """Times both sides in turn, prints the tables, and says whether every count was the same."""
    lines, parquet = files
    few = max(1, args.n // 10)
    tenth = beginning(lines, few, "prescriptions-tenth.jsonl")
    write_parquet(tenth, tenth.with_suffix(".parquet"))
    held = args.n if args.n <= 1.5 * IN_MEMORY else IN_MEMORY
    cases = beginning(lines, held, "prescriptions-in-memory.jsonl")

    # Label: the file and its first tenth, topics, threads.
    both_lines, both_parquet = (lines, tenth), (parquet, tenth.with_suffix(".parquet"))
    from_file = {
        "ours, Parquet": (both_parquet, TOPICS, 1),
        "ours, JSON lines": (both_lines, TOPICS, 1),
        "ours, Parquet, all topics": (both_parquet, (), 1),
        "ours, Parquet, 2 threads": (both_parquet, TOPICS, 2),
        "ours, JSON lines, 2 threads": (both_lines, TOPICS, 2),
    }
    from_memory = {"ours, cases in memory": TOPICS, "ours, cases in memory, all topics": ()}
    # Label: SQL, and which of ours answers the same from the same.
    theirs = {}
    ways = {way: ("items", found) for way, found in WAYS.items()} | {"rule by rule": ("lists", by_rule)}
    for way, (table, found) in ways.items():
        theirs[f"DuckDB, Parquet, {way}"] = count(found, table, PARQUET.format(path=parquet)), "ours, Parquet"
    from_lines = count(WAYS[FASTEST], "items", LINES.format(path=lines))
    theirs[f"DuckDB reading the JSON lines file, {FASTEST}"] = from_lines, "ours, JSON lines"
    for way, (table, found) in ways.items():
        theirs[f"DuckDB, {table} in memory, {way}"] = count(found, table), "ours, cases in memory"

    runs = defaultdict(list)
    for _ in range(args.runs):
        for label, (paths, topics, threads) in from_file.items():
            runs[label].append(ours.check(paths[0], topics, threads))
        for label, topics in from_memory.items():
            runs[label].append(rate(args.rate_binary, cases, topics))
        for label, (sql, _) in theirs.items():
            runs[label].append(timed(db, sql))

    good = True
    first = runs["ours, Parquet"][0]["result"]
    assert first["checked"] == args.n, first["checked"]
    # With the topics chosen our program would pass over a name that it does not know in silence.
    gaps = dict(runs["ours, Parquet, all topics"][0]["result"]["fired"])
    for rule in ("gap-name", "gap-several", "gap-weight"):
        if rule in gaps:
            print(f"  {rule} in {gaps[rule]} prescriptions: what the bench wrote is not understood")
            good = False
    for label, (_, topics, _) in from_file.items():
        for run in runs[label]:
            result = run["result"]
            if topics and (result["fired"], result["standing"]) != (first["fired"], first["standing"]):
                print(f"  {label} counts otherwise than from Parquet with one thread")
                good = False
    for label in theirs:
        good &= all([same_counts(first, run["counts"], ids, unchecked, label) for run in runs[label]])
    # In memory ours counts a rule once for every substance that it fires on.
    hits = db.execute(f"SELECT sum(substances) FROM ({WAYS['all rules in one']}) WHERE rx < {held}").fetchone()[0]
    for run in runs["ours, cases in memory"]:
        if (run["prescriptions"], run["hits"]) != (held, hits):
            print(f"  ours, cases in memory: {run['hits']} hits in {run['prescriptions']} prescriptions,"
                  f" with DuckDB {hits} in {held}")
            good = False

    def row(label, middle, n):
        def cell(key):
            return f"{middle(run[key] for run in runs[label]):.3f}" if key in runs[label][0] else ""

        peer = theirs[label][1] if label in theirs else None
        per_second = rates[label] = n / middle(run["seconds"] for run in runs[label])
        ratio = f"{rates[peer] / per_second:.2f}x" if peer else ""
        return label, cell("seconds"), cell("cpu"), cell("wall"), f"{per_second:,.0f}", ratio

    rates = {}
    in_memory = [label for label, (_, peer) in theirs.items() if peer in from_memory]
    reading = [label for label in theirs if label not in in_memory]
    print(f"{args.n} prescriptions of {SIZE} substances (seed {args.seed})")
    print(f"{len(ids)} rules that can fire in them, of which {len(first['fired'])} do")
    print(f"DuckDB {duckdb.__version__}, Python {sys.version.split()[0]}; one thread where no other number is given")
    print("processor: seconds of all threads, for ours with starting the program; whole: from its start to its end")
    print("ours is: how many times as fast as this row, each against its peer: ours from the same kind of file with")
    print("one thread, or from memory; reading the file and looking up the names are counted in with a file only")
    print()
    print_rows(
        f"From the file: median of {args.runs} in turn",
        [row(label, statistics.median, args.n) for label in (*from_file, *reading)],
    )
    print_rows(
        f"In memory: the best of {args.runs} in turn; ours works five times in each and gives the best of them.\n"
        f"Ours over the first {held} prescriptions, DuckDB over {args.n}: what is done in a second is compared",
        [row(label, min, held) for label in from_memory] + [row(label, min, args.n) for label in in_memory],
    )
    print(f"{'Peak memory of ours, MB; prescriptions:':52}{few:>10}{args.n:>10}")
    for label, (paths, topics, threads) in from_file.items():
        peak = max(run["peak"] for run in runs[label])
        print(f"{label:52}{ours.check(paths[1], topics, threads)['peak']:10.1f}{peak:10.1f}")
    print()
    return good


def main():
    parse = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parse.add_argument("--n", type=int, default=1_000_000, help="how many prescriptions")
    parse.add_argument("--seed", type=int, default=1)
    parse.add_argument("--runs", type=int, default=3, help="both sides in turn")
    parse.add_argument("--binary", default=str(ROOT / "target/release/fangwright"))
    parse.add_argument("--rate-binary", default=str(ROOT / "target/release/check_rate"))
    parse.add_argument("--equality-only", action="store_true", help="compare the findings, time nothing")
    args = parse.parse_args()

    binaries = [args.binary] if args.equality_only else [args.binary, args.rate_binary]
    built = min(pathlib.Path(binary).stat().st_mtime for binary in binaries)
    newer = [p for p in (ROOT / "data").rglob("*.toml") if p.stat().st_mtime > built]
    if newer:
        print(f"{newer[0].relative_to(ROOT)} is newer than {' or '.join(binaries)}: rules may differ", file=sys.stderr)
    folder = BENCH / "equality" if args.equality_only else BENCH
    substances = Substances(list(records("materia", "substance")))
    files = prescriptions(folder, args.n, args.seed, substances.all)
    ids, single, pairs = tables(substances)
    unchecked = [r["id"] for r in records("safety", "rule") if r["kind"] == "unchecked"]
    db, ours = open_duckdb(substances, ids, single, pairs, files[1]), Ours(args.binary)
    held = db.execute("SELECT count(*) FROM items").fetchone()[0]
    assert held == SIZE * args.n, held

    good, findings, written = same_findings(db, ours, files, unchecked, args.n)
    if not args.equality_only:
        by_rule = rule_by_rule(substances, single, pairs)
        good &= bench(args, db, ours, files, by_rule, ids, unchecked)
        print(f"every finding written, Parquet, one thread: {written['seconds']:.3f} s, peak {written['peak']:.1f} MB")
    what = f"{args.n} prescriptions, {len(ids)} rules, {findings} findings of ours"
    print(f"{what}, from Parquet, from JSON lines and by DuckDB: {'equal' if good else 'NOT EQUAL'}")
    if newer and not good:
        print("data/ is newer than the program: build it and run this again before looking for a mistake")
    sys.exit(0 if good else 1)


if __name__ == "__main__":
    main()
