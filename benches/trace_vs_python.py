#!/usr/bin/env python3
"""A trace of twelve ingredients: ours against a plain set search in Python, by the same points, in the same run.

    cargo build -q --release -p fangwright-checks --bin facts
    python3 benches/trace_vs_python.py

The Python side is what one would write first: frozensets, every formula by itself, then every pair of formulas. It
does less than ours, which also tries sums of three, breaks ties by dose and lists what stands for what. It must come
to the same best single formula, and its best pair may not beat our best sum.
"""

import argparse
import json
import pathlib
import statistics
import subprocess
import sys
import time
from itertools import combinations

ROOT = pathlib.Path(__file__).resolve().parent.parent


def facts(path, *words):
    return json.loads(subprocess.run([path, *words], capture_output=True, text=True, check=True).stdout)


def ways(formula, roles, rx, ties, costs):
    """All ways a formula can stand in the prescription, as (what it explains, points)."""
    size = len(formula)
    keep = max(-(-size * costs["keep_percent"] // 100), min(costs["keep_at_least"], size))
    same = frozenset(formula) & rx
    leaving = {s: costs["remove_" + role] for s, role in zip(formula, roles)}
    changes, taken = [], set(same)
    for s in formula:
        if s in same:
            continue
        # Another form stands nearer than a swap; of equals, the first in the prescription.
        for tie in ("other-form", "swap"):
            free = [r for r, t in ties.get(s, {}).items() if t == tie and r not in taken]
            if free:
                taken.add(free[0])
                changes.append((free[0], costs[tie.replace("-", "_")] - leaving[s]))
                break
    base = sum(leaving[s] for s in formula if s not in same)
    found = []
    for pick in range(1 << len(changes)):
        used = [c for k, c in enumerate(changes) if pick >> k & 1]
        covered = same | {r for r, _ in used}
        if covered and len(covered) >= keep:
            found.append((covered, base + sum(p for _, p in used)))
    return found


def search(sets, roles, order, ties, costs):
    """The best single formula and the best pair: ((points, ids), (points, ids))."""
    rx = frozenset(order)
    add, further = costs["add"], costs["further_base"]
    all_ways = []
    for f in sets:
        all_ways += [(f["id"], c, p) for c, p in ways(f["set"], roles[f["id"]], rx, ties, costs)]
    single = min((p + add * len(rx - c), (i,)) for i, c, p in all_ways)
    pair = (add * len(rx), ())
    for (i, c, p), (j, d, q) in combinations(all_ways, 2):
        points = p + q + further + add * len(rx - (c | d))
        if points < pair[0] and i != j:
            pair = (points, (i, j))
    return single, pair


def search_blind(sets, roles, order, ties, costs):
    """The same without first dropping what keeps too little: every pair of all the formulas is made and weighed."""
    rx = frozenset(order)
    add, further = costs["add"], costs["further_base"]
    table = [(f["id"], ways(f["set"], roles[f["id"]], rx, ties, costs)) for f in sets]
    single = min((p + add * len(rx - c), (i,)) for i, w in table for c, p in w)
    pair = (add * len(rx), ())
    for (i, ws), (j, vs) in combinations(table, 2):
        for c, p in ws or [(frozenset(), 0)]:
            for d, q in vs or [(frozenset(), 0)]:
                points = p + q + further + add * len(rx - (c | d))
                if points < pair[0] and ws and vs:
                    pair = (points, (i, j))
    return single, pair


def main():
    parse = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parse.add_argument("--runs", type=int, default=7, help="both sides in turn")
    parse.add_argument("--traces", type=int, default=300, help="ours, in each run")
    parse.add_argument("--facts", default=str(ROOT / "target/release/facts"))
    args = parse.parse_args()

    sets = facts(args.facts, "sets")
    mine, plain, blind = [], [], []
    for _ in range(args.runs):
        ours = facts(args.facts, "trace", str(args.traces))
        mine.append(statistics.median(ours["seconds"]))
        costs, given = ours["found"]["costs"], (sets, ours["roles"], ours["rx"], ours["ties"])
        for times, how in ((plain, search), (blind, search_blind)):
            start = time.perf_counter()
            single, pair = how(*given, costs)
            times.append(time.perf_counter() - start)
            best_single = ours["found"]["singles"][0]
            assert single[0] == best_single["points"], (single, best_single)
            best = ours["found"]["best"][0]
            assert best["points"] <= min(single[0], pair[0]), (pair, best)
            if len(best["bases"]) == 2:
                assert best["points"] == pair[0], (pair, best)

    def name(found):
        return f"{' + '.join(found[1])}, {found[0]} points"

    print(f"{len(sets)} formulas, a prescription of {len(ours['rx'])}")
    print(f"Python {sys.version.split()[0]}, median of {args.runs} runs in turn")
    print(f"  best single: {name(single)}; best pair: {name(pair)}")
    print(f"  ours, with sums of three: {' + '.join(b['formula'] for b in best['bases'])}, {best['points']} points")
    ours_ms = 1000 * statistics.median(mine)
    print(f"  {'ours':44}{ours_ms:10.3f} ms   (runs {1000 * min(mine):.3f} to {1000 * max(mine):.3f})")
    ratios = []
    for label, times in (("Python, pairs of what keeps enough", plain), ("Python, every pair of all formulas", blind)):
        ms = 1000 * statistics.median(times)
        ratios.append(ms / ours_ms)
        print(f"  {label:44}{ms:10.3f} ms   ours is {ms / ours_ms:.0f}x")
    met = ours_ms < 1 and ratios[0] >= 100
    print("target (under 1 ms, 100 times the first Python line):", "met" if met else "missed")


if __name__ == "__main__":
    main()
