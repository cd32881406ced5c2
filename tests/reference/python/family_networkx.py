"""Holds the total of the family forest against networkx.

Reads the JSON of `facts edges` from the file named as argument, or from standard input.
"""

import json
import sys
import time
from pathlib import Path

import networkx as nx

# No formula has this id; JSON gives null for "made from nothing".
ROOT = "(nothing)"


def main() -> int:
    facts = json.loads(Path(sys.argv[1]).read_text(encoding="utf-8") if len(sys.argv) > 1 else sys.stdin.read())
    graph = nx.DiGraph()
    for edge in facts["edges"]:
        source, target, points = edge["from"] or ROOT, edge["to"], edge["points"]
        # A DiGraph holds one edge a pair; of parallel ones only the cheapest can be in a least forest.
        if not graph.has_edge(source, target) or points < graph[source][target]["weight"]:
            graph.add_edge(source, target, weight=points)

    # Only with ROOT as the one node without a way in is the answer of networkx, which takes no root, rooted there.
    orphans = [node for node, degree in graph.in_degree() if degree == 0]
    if orphans != [ROOT]:
        print(f"family: nodes without a way in should be the root alone, but are {orphans[:10]}", file=sys.stderr)
        return 1

    start = time.perf_counter()
    theirs = nx.minimum_spanning_arborescence(graph)
    seconds = time.perf_counter() - start
    if not nx.is_arborescence(theirs) or theirs.in_degree(ROOT) != 0 or theirs.number_of_nodes() != len(graph):
        print("family: networkx gave no arborescence over all nodes from the root", file=sys.stderr)
        return 1
    total = sum(points for _, _, points in theirs.edges.data("weight"))
    print(f"networkx {nx.__version__}: {len(graph) - 1} formulas, {graph.number_of_edges()} edges, {seconds:.2f} s")
    print(f"family: total {facts['total']} here, {total} in networkx")
    if total != facts["total"]:
        print(f"family: the totals differ by {facts['total'] - total} points", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
