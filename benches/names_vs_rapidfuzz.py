#!/usr/bin/env python3
"""Misspelt names: ours against RapidFuzz, on the same names in the same run, each on one core.

    cargo build -q --release -p fangwright-checks --bin facts
    python3 benches/names_vs_rapidfuzz.py          # needs `pip install rapidfuzz`

From a fixed seed, 20,000 names in letters (pinyin, pharmaceutical Latin, English, aliases) are corrupted, and each side
says which substance is meant, out of the same spellings. RapidFuzz gets the names already
brought to plain letters and is timed for the matching alone; ours is timed with all it does to a name.
"""

import argparse
import json
import pathlib
import random
import re
import statistics
import subprocess
import sys
import time
import unicodedata
from collections import Counter, defaultdict

from rapidfuzz import __version__, fuzz, process

ROOT = pathlib.Path(__file__).resolve().parent.parent
LETTERS = "abcdefghijklmnopqrstuvwxyz"
# What the ear and the keyboard confuse in pinyin, either way round.
CONFUSED = [("zh", "z"), ("ch", "c"), ("sh", "s"), ("ng", "n")]


def plain(name):
    """Letters only, lower case, no marks: the form in which both sides compare."""
    text = unicodedata.normalize("NFKD", name)
    return "".join(c for c in text.lower() if c in LETTERS)


def in_letters(name):
    return not any(c > "\u2e80" for c in name)


def spellings(facts):
    """Every spelling that the records have in letters, as (spelling, id, whether pinyin)."""
    for s in facts["substances"]:
        yield s["pinyin"], s["id"], True
        names = [s["latin"], s["english"], *s["old"], *s["regional"], *s["trade"]]
        for name in names:
            if in_letters(name) and plain(name):
                yield name, s["id"], False


def readings(facts):
    """Every character with the syllable it stands for most often in the names of the records."""
    votes = defaultdict(Counter)
    for record in [*facts["substances"], *facts["formulas"]]:
        for character, syllable in zip(record["hanzi"], record["pinyin"].split()):
            votes[character][plain(syllable)] += 1
    return {c: min(v, key=lambda s: (-v[s], s)) for c, v in votes.items()}


def index(facts):
    """All that our index holds in letters, as key -> ids: the spellings, the words of each in alphabetical order, and
    aliases in hanzi read aloud. RapidFuzz gets the same choices, so that both have the same names to mistake."""
    read = readings(facts)
    ids = defaultdict(set)
    for name, owner, pinyin in spellings(facts):
        ids[plain(name)].add(owner)
        words = [w for w in map(plain, re.split(r"[\s,/'-]+", name)) if w and w not in ("et", "and", "of")]
        if len(words) > 1 and not pinyin:
            ids["".join(sorted(words))].add(owner)
    for s in facts["substances"]:
        ids[plain(s["id"])].add(s["id"])
        for name in [*s["old"], *s["regional"], *s["trade"]]:
            if not in_letters(name) and all(c in read for c in name):
                ids["".join(read[c] for c in name)].add(s["id"])
    return ids


def confuse(rng, word):
    """One confusion of two sounds, if the word has any."""
    found = []
    for long, short in CONFUSED:
        for at in range(len(word)):
            if word.startswith(long, at):
                found.append((at, long, short))
            elif word.startswith(short, at) and not (short == "n" and word[at + 1 : at + 2] in ("", *"aeiouv")):
                found.append((at, short, long))
            elif word.startswith(short, at) and short == "n" and at + 1 == len(word):
                found.append((at, short, long))
    if not found:
        return None
    at, old, new = rng.choice(found)
    return word[:at] + new + word[at + len(old) :]


def edit(rng, word):
    """One letter replaced, left out, put in, or exchanged with the next."""
    at = rng.randrange(len(word))
    kind = rng.randrange(4)
    if kind == 0:
        return word[:at] + rng.choice(LETTERS.replace(word[at], "")) + word[at + 1 :]
    if kind == 1:
        return word[:at] + word[at + 1 :]
    if kind == 2:
        return word[:at] + rng.choice(LETTERS) + word[at:]
    at = rng.randrange(len(word) - 1)
    return word[:at] + word[at + 1] + word[at] + word[at + 2 :]


def dress(rng, word):
    """Spaces and capitals as people happen to type them."""
    for _ in range(rng.randrange(3)):
        at = rng.randrange(1, len(word))
        word = word[:at] + " " + word[at:]
    case = rng.randrange(4)
    if case == 0:
        return word.upper()
    if case == 1:
        return word.title()
    if case == 2:
        return "".join(rng.choice((c, c.upper())) for c in word)
    return word


def corrupt(rng, names, count):
    """Corrupted names as (typed, key of the name that was meant, kind of slip)."""
    made = []
    while len(made) < count:
        name, _, pinyin = rng.choice(names)
        key = plain(name)
        word = key
        slips = rng.choice((1, 2))
        kind = f"{slips} edit" + "s" * (slips > 1)
        for _ in range(slips):
            # In pinyin half of the slips are of the ear.
            heard = confuse(rng, word) if pinyin and rng.random() < 0.5 else None
            if heard:
                kind = "pinyin confusion" + (" and another slip" if slips > 1 else "")
            word = heard or edit(rng, word)
        if plain(word) == key:
            continue
        made.append((dress(rng, word), key, kind))
    return made


def ours(facts, typed):
    done = subprocess.run([facts, "resolve"], input="\n".join(typed) + "\n", capture_output=True, text=True, check=True)
    answer = json.loads(done.stdout)
    return answer["found"], answer["seconds"]


def theirs(typed, keys, scorer):
    queries = [plain(t) for t in typed]
    found = []
    extract = process.extractOne
    start = time.perf_counter()
    for query in queries:
        found.append(extract(query, keys, scorer=scorer, processor=None))
    seconds = time.perf_counter() - start
    return [f[0] for f in found], seconds


def main():
    parse = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parse.add_argument("--count", type=int, default=20_000)
    parse.add_argument("--sample", type=int, default=2_000, help="how many of them WRatio gets")
    parse.add_argument("--seed", type=int, default=1)
    parse.add_argument("--runs", type=int, default=3, help="both sides in turn, medians are printed")
    parse.add_argument("--facts", default=str(ROOT / "target/release/facts"))
    parse.add_argument("--written", action="store_true", help="RapidFuzz gets only what the records write in letters")
    parse.add_argument("--misses", type=int, default=0, help="print so many names that only RapidFuzz got right")
    args = parse.parse_args()

    facts = json.loads(subprocess.run([args.facts, "names"], capture_output=True, text=True, check=True).stdout)
    ids = index(facts)
    # With fewer names to mistake and to measure than ours has: an easier task, shown for the sake of honesty.
    keys = sorted({plain(n) for n, _, _ in spellings(facts)} if args.written else ids)
    # Short names can turn into one another by one slip, so there is no right answer to test.
    long = [n for n in spellings(facts) if len(plain(n[0])) >= 6]
    rng = random.Random(args.seed)
    cases = corrupt(rng, long, args.count)
    typed = [t for t, _, _ in cases]
    sample = min(args.sample, len(cases))

    mine, other, wide = [], [], []
    for _ in range(args.runs):
        found, seconds = ours(args.facts, typed)
        mine.append(seconds)
        ratio, seconds = theirs(typed, keys, fuzz.ratio)
        other.append(seconds)
        wratio, seconds = theirs(typed[:sample], keys, fuzz.WRatio)
        wide.append(seconds)

    def accuracy(rights):
        return 100 * sum(rights) / len(rights)

    right = [f in ids[key] for f, (_, key, _) in zip(found, cases)]
    # A spelling of several substances counts if any of them is the one.
    right_ratio = [bool(ids[f] & ids[key]) for f, (_, key, _) in zip(ratio, cases)]
    right_wide = [bool(ids[f] & ids[key]) for f, (_, key, _) in zip(wratio, cases)]
    speed = len(cases) / statistics.median(mine)
    speed_ratio = len(cases) / statistics.median(other)
    speed_wide = sample / statistics.median(wide)
    print(f"{len(cases)} corrupted names (seed {args.seed}) of {len(facts['substances'])} substances")
    print(f"RapidFuzz chooses from {len(keys)} spellings, ours from all of {len(ids)}")
    print(f"RapidFuzz {__version__}, Python {sys.version.split()[0]}, median of {args.runs} runs in turn")
    print()
    print(f"{'':26}{'right':>9}{'names/s':>12}{'ours is':>10}")
    print(f"{'ours':26}{accuracy(right):8.2f}%{speed:12,.0f}")
    print(f"{'RapidFuzz ratio':26}{accuracy(right_ratio):8.2f}%{speed_ratio:12,.0f}{speed / speed_ratio:9.1f}x")
    wide_label = f"RapidFuzz WRatio ({sample})"
    print(f"{wide_label:26}{accuracy(right_wide):8.2f}%{speed_wide:12,.0f}{speed / speed_wide:9.1f}x")
    print(f"  ours on those {sample}: {accuracy(right[:sample]):.2f}%")
    print()
    for kind in sorted({k for _, _, k in cases}):
        these = [i for i, (_, _, k) in enumerate(cases) if k == kind]
        a, b = (accuracy([r[i] for i in these]) for r in (right, right_ratio))
        print(f"  {kind:36}{len(these):6} names   ours {a:6.2f}%   ratio {b:6.2f}%")
    lost = [i for i in range(len(cases)) if right_ratio[i] and not right[i]]
    won = [i for i in range(len(cases)) if right[i] and not right_ratio[i]]
    print(f"  right only with ours {len(won)}, only with ratio {len(lost)}")
    for i in lost[: args.misses]:
        name, key, kind = cases[i]
        print(f"    {name!r} for {key} ({kind}): ours {found[i]}, ratio {ratio[i]}")
    met = accuracy(right) >= accuracy(right_ratio) and speed >= 20 * speed_ratio
    print("target (as accurate, 20 times as fast):", "met" if met else "missed")


if __name__ == "__main__":
    main()
