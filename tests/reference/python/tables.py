"""What the checks of names share: their tables of exceptions, and the evenness of forms and readings."""

import json
import sys
import tomllib
from pathlib import Path


def read(path):
    """The facts (from a file or standard input), the table, and what is wrong with it: every entry has to give a reason."""
    facts = json.loads(Path(sys.argv[1]).read_text(encoding="utf-8") if len(sys.argv) > 1 else sys.stdin.read())
    table = tomllib.loads(path.read_text(encoding="utf-8"))
    wrong = [
        f"{path.name}: a {kind} without a reason: {entry}"
        for kind, entries in table.items()
        for entry in entries
        if not entry.get("reason")
    ]
    return facts, table, wrong


def uneven(found, splits, says, shown, table, wrong):
    """One character in two forms or readings among our names has to be explained, name by name.

    Adds to `wrong` each character of `found` (character -> form -> ids) whose forms are not explained.

    One form of each may stand unlisted: the usual one. The others stand in `splits` ((character, form) -> sorted ids), and a
    split that is no longer needed is wrong too. `says` is the sentence, `shown` how many ids it names.
    """
    used = set()
    for c, by_form in found.items():
        if len(by_form) == 1:
            continue
        explained = {f for f, ids in by_form.items() if splits.get((c, f)) == sorted(ids)}
        used |= {(c, f) for f in explained}
        if len(explained) + 1 < len(by_form):
            rest = [f"{f} in {', '.join(sorted(ids)[:shown])}" for f, ids in by_form.items() if f not in explained]
            wrong.append(f"{c} {says}: {'; '.join(rest)}")
    for key in sorted(splits.keys() - used):
        wrong.append(f"{table.name}: split no longer needed, or with other names than listed: {key}")
