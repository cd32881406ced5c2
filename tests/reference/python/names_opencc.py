"""Holds the traditional names against OpenCC.

Reads the JSON of `facts names` from the file named as argument, or from standard input. Three checks:

- There: the traditional name, made simplified by OpenCC, is the hanzi of the record. What is not is an `exception`.
- Back: the hanzi, made traditional by OpenCC, is our traditional name, but for a `choice` between forms of one character.
  The way there cannot see a name left simplified, nor the wrong one of two characters that share a simplified form.
- Evenness: a simplified character with two traditional forms in our names is explained as a `split`.

Many traditional names were first filled in with this same library and then looked over, so that it agrees proves less
than that it differs. Every entry of ../opencc-exceptions.toml has to be needed still.
"""

import sys
from collections import defaultdict
from importlib.metadata import version
from pathlib import Path

import opencc

from tables import read, uneven

TABLE = Path(__file__).resolve().parent.parent / "opencc-exceptions.toml"


def main() -> int:
    facts, table, wrong = read(TABLE)
    exceptions = {(e["id"], e["field"], e["ours"], e["theirs"]) for e in table.get("exception", [])}
    choices = {(c["simplified"], c["ours"], c["theirs"]) for c in table.get("choice", [])}
    splits = {(s["simplified"], s["form"]): sorted(s["names"]) for s in table.get("split", [])}

    records = facts["substances"] + facts["formulas"]
    there, back = opencc.OpenCC("t2s"), opencc.OpenCC("s2t")
    equal = equal_back = chosen = 0
    used_exceptions, used_choices = set(), set()
    forms: dict[str, dict[str, list[str]]] = defaultdict(lambda: defaultdict(list))
    for record in records:
        id, hanzi, traditional = record["id"], record["hanzi"], record["traditional"]
        simplified = there.convert(traditional)
        key = (id, "hanzi", hanzi, simplified)
        if simplified == hanzi:
            equal += 1
        elif key in exceptions:
            used_exceptions.add(key)
        else:
            wrong.append(f"{id}: {traditional} made simplified is {simplified}, not {hanzi}")

        if len(traditional) != len(hanzi):
            wrong.append(f"{id}: {hanzi} and {traditional} are not of one length")
            continue
        for s, t in zip(hanzi, traditional):
            forms[s][t].append(id)
        again = back.convert(hanzi)
        if again == traditional:
            equal_back += 1
            continue
        if len(again) != len(hanzi):
            wrong.append(f"{id}: {hanzi} made traditional is {again}, not {traditional}")
            continue
        differences = {d for d in zip(hanzi, traditional, again) if d[1] != d[2]}
        used_choices |= differences & choices
        if differences <= choices:
            chosen += 1
        else:
            wrong.append(f"{id}: {hanzi} made traditional is {again}, not {traditional}")

    uneven(forms, splits, "is written in more than one way", 6, TABLE, wrong)
    for key in sorted(exceptions - used_exceptions):
        wrong.append(f"{TABLE.name}: exception no longer needed: {key}")
    for key in sorted(choices - used_choices):
        wrong.append(f"{TABLE.name}: choice no longer needed: {key}")

    for line in wrong:
        print(line, file=sys.stderr)
    print(f"OpenCC {version('opencc')}; {len(wrong)} not explained")
    print(f"opencc, way back: {len(records)} names, {equal_back} equal, {chosen} by one of {len(choices)} choices of form")
    print(f"opencc: {len(records)} names, {equal} equal, {len(used_exceptions)} excepted")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
