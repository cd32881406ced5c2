#!/usr/bin/env python3
"""How often each rule fires: over the formula collection at its usual dose for a healthy adult, and over a file of real
prescriptions. The figures of docs/safety.md come from here.

    cargo build -q --release
    python3 benches/safety_counts.py [--real FOLDER]

FOLDER holds the open data set of Jin Y. and others (ICDE 2020): `herb_mapping.txt` (name and number) and `train.txt`
(symptom numbers, a tab, substance numbers). It has neither doses nor forms, and says nothing of the patients.
"""

import argparse
import collections
import fractions
import json
import pathlib
import subprocess
import tempfile
import tomllib

ROOT = pathlib.Path(__file__).resolve().parent.parent


def records(folder, kind):
    for path in sorted((ROOT / "data" / folder).glob("*.toml")):
        yield from tomllib.loads(path.read_text())[kind]


def formulas():
    """Each formula as a healthy man of forty would take it for a week, handled in the pot as the records ask."""
    pot = {s["id"]: s["pot"] for s in records("materia", "substance")}
    healthy = {
        "age": "40", "sex": "male", "conditions": [], "medicines": [], "allergies": [], "diets": [],
        "no_surgery": True, "g6pd_deficient": False,
    }
    for formula in records("formulas", "formula"):
        # As `check --formula` does: more than this nobody swallows, so it is the weight of a batch.
        total = sum(fractions.Fraction(i.get("grams", 0)) for i in formula["ingredients"])
        batch = formula["form"] in ("pill", "powder", "paste") and total > 30
        items = [
            {"substance": i["s"], "pot": pot[i["s"]]} | ({"grams": i["grams"]} if "grams" in i and not batch else {})
            for i in formula["ingredients"]
        ]
        yield {"id": formula["id"], "form": formula["form"], "days": 7, "items": items, "patient": healthy}


def real(folder):
    names = dict(reversed(line.split()) for line in (folder / "herb_mapping.txt").read_text().splitlines())
    for number, line in enumerate((folder / "train.txt").read_text().splitlines()):
        herbs = line.split("\t")[1].split()
        yield {"id": str(number), "items": [{"name": names[h]} for h in herbs]}


def check(binary, title, cases):
    with tempfile.TemporaryDirectory() as folder:
        path, out = pathlib.Path(folder, "cases.jsonl"), pathlib.Path(folder, "out.jsonl")
        path.write_text("".join(json.dumps(c, ensure_ascii=False) + "\n" for c in cases))
        run = subprocess.run([binary, "check", "--json", "--batch", path, "--out", out], capture_output=True, text=True)
        result = json.loads(run.stdout)["result"]
        rows = [json.loads(line) for line in out.read_text().splitlines()]
    print(f"\n{title}: {result['checked']} checked, in {result['standing']} the upper two severities stand")
    severity = {}
    where = collections.defaultdict(list)
    for row in rows:
        for rule, worst in row["findings"]:
            severity[rule] = worst
            if worst in ("deadly", "grave"):
                where[rule].append(row["id"])
    for rule, count in result["fired"][:45]:
        print(f"{count:7}  {severity[rule]:12} {rule}")
    return where


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--binary", default=ROOT / "target/release/fangwright")
    parser.add_argument("--real", type=pathlib.Path)
    options = parser.parse_args()
    where = check(options.binary, "formulas", formulas())
    print("\nthe upper two severities on formulas:")
    for rule, formulas_of in sorted(where.items(), key=lambda x: -len(x[1])):
        print(f"{len(formulas_of):4}  {rule}: {', '.join(formulas_of[:8])}")
    if options.real:
        check(options.binary, "real prescriptions", real(options.real))


if __name__ == "__main__":
    main()
