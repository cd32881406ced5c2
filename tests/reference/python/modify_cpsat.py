#!/usr/bin/env python3
"""The optimum of a change, found once more by another solver: OR-Tools CP-SAT over the same choices and rows.

    facts models 100 | python3 modify_cpsat.py [--time]

The least cost has to be the same for every model, and impossible has to be impossible for both. With --time the two are
timed on the same models, and the time of a whole change with five proposals is shown.
"""

import argparse
import json
import statistics
import sys
import time

from ortools.sat.python import cp_model


def solve(model):
    cp = cp_model.CpModel()
    take = [cp.new_bool_var("") for _ in model["costs"]]
    for row in model["rows"]:
        cp.add(sum(n * take[i] for i, n in row["terms"]) >= row["least"])
    cp.minimize(sum(c * t for c, t in zip(model["costs"], take)))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    started = time.perf_counter()
    status = solver.solve(cp)
    seconds = time.perf_counter() - started
    if status == cp_model.OPTIMAL:
        return round(solver.objective_value), seconds
    return "impossible" if status == cp_model.INFEASIBLE else "out of time", seconds


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--time", action="store_true")
    options = parser.parse_args()
    models = json.load(sys.stdin)["models"]
    wrong, theirs = [], []
    for m in models:
        cost, seconds = solve(m["model"])
        theirs.append(seconds)
        if cost != m["cost"]:
            wrong.append(f"{m['formula']} for {m['patterns']}: ours {m['cost']}, CP-SAT {cost}")
    possible = sum(isinstance(m["cost"], int) for m in models)
    print(f"{len(models)} changes, {possible} possible: {len(wrong)} differ from CP-SAT")
    if options.time:
        ours = [m["seconds"] for m in models]
        whole = sorted(m["whole"] for m in models)
        print(f"one optimum: ours {statistics.median(ours) * 1000:.1f} ms, CP-SAT {statistics.median(theirs) * 1000:.1f} ms"
              f" (median); CP-SAT takes {sum(theirs) / sum(ours):.2f} times as long in all")
        print(f"five proposals: median {statistics.median(whole) * 1000:.0f} ms,"
              f" 95th percentile {whole[int(len(whole) * 0.95)] * 1000:.0f} ms, longest {whole[-1] * 1000:.0f} ms;"
              f" {sum(not m['proven'] for m in models)} without a proof in time")
    sys.exit("\n".join(wrong[:20]) if wrong else 0)


if __name__ == "__main__":
    main()
