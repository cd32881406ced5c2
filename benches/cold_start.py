#!/usr/bin/env python3
"""From a cold start to the answer to one question, against a process that does nothing, in the same run.

    cargo build -q --release -p fangwright
    python3 benches/cold_start.py

The sides take turns, so that what else the machine does falls on all of them alike. "Cold" means a new process each
time; the file itself is in the page cache after the first of the runs, which does not count.
"""

import argparse
import pathlib
import statistics
import subprocess
import sys
import time

ROOT = pathlib.Path(__file__).resolve().parent.parent


def once(command):
    start = time.perf_counter()
    subprocess.run(command, stdout=subprocess.DEVNULL, check=True)
    return 1000 * (time.perf_counter() - start)


def main():
    parse = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parse.add_argument("--runs", type=int, default=30)
    parse.add_argument("--fangwright", default=str(ROOT / "target/release/fangwright"))
    args = parse.parse_args()
    sides = {
        'fangwright name "huang qi"': [args.fangwright, "name", "huang qi"],
        "/bin/true": ["/bin/true"],
        "python3 -c pass": [sys.executable, "-c", "pass"],
    }
    times = {label: [] for label in sides}
    for run in range(args.runs + 1):
        for label, command in sides.items():
            ms = once(command)
            if run > 0:
                times[label].append(ms)
    ours, *_ = medians = [statistics.median(t) for t in times.values()]
    print(f"median of {args.runs} runs in turn, ms")
    for (label, list_), median in zip(times.items(), medians):
        ratio = "" if median == ours else f"   ours takes {ours / median:.2f} times as long"
        print(f"  {label:28}{median:8.2f}   ({min(list_):.2f} to {max(list_):.2f}){ratio}")
    print("target (under 50 ms):", "met" if ours < 50 else "missed")


if __name__ == "__main__":
    main()
