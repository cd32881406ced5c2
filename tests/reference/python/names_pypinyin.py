"""Holds the pinyin of the names against pypinyin.

Reads the JSON of `facts names` from the file named as argument, or from standard input. Checks, ignoring case:

- Each syllable is one of the readings that pypinyin knows of its character, and one that the dictionary of the Table of
  General Standard Characters (2013, from pypinyin-dict) has, where it has the character. What is not is an `exception`.
- A `reading` is a name where pypinyin accepts several and proposes the wrong one: it has to be read as the table says.
- Evenness: a character with two readings in our names is explained as a `split`. That a reading exists does not make it
  right in the name at hand.

Many names were first given their pinyin by this same library and then looked over, so that it agrees proves less than
that it differs. Every entry of ../pypinyin-exceptions.toml has to be needed still.
"""

import sys
import unicodedata
from collections import defaultdict
from importlib.metadata import version
from pathlib import Path

from pypinyin import Style, pinyin
from pypinyin_dict.pinyin_data import ktghz2013

from tables import read, uneven

TABLE = Path(__file__).resolve().parent.parent / "pypinyin-exceptions.toml"


def plain(text: str) -> str:
    return unicodedata.normalize("NFC", text).lower()


def main() -> int:
    facts, table, wrong = read(TABLE)
    exceptions = {(e["id"], e["field"], e["ours"], e["theirs"]) for e in table.get("exception", [])}
    readings = {r["id"]: r["pinyin"] for r in table.get("reading", [])}
    splits = {(s["character"], s["reading"]): sorted(s["names"]) for s in table.get("split", [])}

    records = facts["substances"] + facts["formulas"]
    standard = {chr(c): set(plain(r).split(",")) for c, r in ktghz2013.pinyin_dict.items()}
    equal = default_names = syllables = default = other = outside = 0
    used_exceptions, used_readings = set(), set()
    found: dict[str, dict[str, list[str]]] = defaultdict(lambda: defaultdict(list))
    for record in records:
        id, hanzi, ours = record["id"], record["hanzi"], plain(record["pinyin"]).split()
        proposed = [plain(s[0]) for s in pinyin(hanzi, style=Style.TONE)]
        if not len(hanzi) == len(ours) == len(proposed):
            wrong.append(f"{id}: {hanzi} has {len(hanzi)} characters, {record['pinyin']} {len(ours)} syllables")
            continue
        strange = []
        for c, o, p in zip(hanzi, ours, proposed):
            syllables += 1
            found[c][o].append(id)
            outside += c not in standard
            if o == p:
                default += 1
            elif o in (plain(s) for s in pinyin(c, style=Style.TONE, heteronym=True)[0]):
                other += 1
            else:
                strange.append(f"{c} {o}")
                continue
            if o not in standard.get(c, {o}):
                strange.append(f"{c} {o}")
        default_names += ours == proposed

        key = (id, "pinyin", record["pinyin"], " ".join(proposed))
        if not strange:
            equal += 1
        elif key in exceptions:
            used_exceptions.add(key)
        else:
            wrong.append(f"{id}: {hanzi} {record['pinyin']}, pypinyin has {' '.join(proposed)}; no reading: {', '.join(strange)}")

        if id in readings:
            held = readings[id]
            if plain(held).split() != proposed:
                used_readings.add(id)
            if held != record["pinyin"]:
                wrong.append(f"{id}: {hanzi} is to be read {held}, not {record['pinyin']}")

    uneven(found, splits, "is read in more than one way", 8, TABLE, wrong)
    for key in sorted(exceptions - used_exceptions):
        wrong.append(f"{TABLE.name}: exception no longer needed: {key}")
    for id in sorted(readings.keys() - used_readings):
        wrong.append(f"{TABLE.name}: reading no longer needed: {id}")

    for line in wrong:
        print(line, file=sys.stderr)
    print(f"pypinyin {version('pypinyin')}, pypinyin-dict {version('pypinyin-dict')}; {len(wrong)} not explained")
    print(
        f"pypinyin, syllables: {syllables}, {default} as it proposes, {other} another reading it knows, "
        f"{syllables - default - other} it does not know; {outside} of characters outside the 2013 table"
    )
    print(f"pypinyin, whole names as it proposes: {default_names}")
    print(f"pypinyin: {len(records)} names, {equal} equal, {len(used_exceptions)} excepted")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
