"""Rounding to a scale against the method of largest remainders of the library `apportionment`.

    facts rounded | python3 tests/reference/python/rounding_apportionment.py
"""

import json
import sys

from apportionment.methods import TiesException, largest_remainder

lists = json.load(sys.stdin)
STEP = 1000  # tenths of milligrams in a tenth of a gram
whole = ties = 0
for case in lists:
    amounts, ours = case["amounts"], case["tenths"]
    # Half a step goes up.
    seats = (sum(amounts) * 2 + STEP) // (2 * STEP)
    assert sum(ours) == seats, case
    # The library shares out by total over seats; that is our step where the total is a whole number of steps.
    if sum(amounts) != seats * STEP:
        continue
    whole += 1
    try:
        theirs = list(largest_remainder(amounts, seats, fractions=True, tiesallowed=False))
    except TiesException:
        ties += 1  # equal remainders at the border: it does not choose
        continue
    assert theirs == ours, (theirs, case)
print(f"largest remainders: {len(lists)} totals equal; {whole - ties} lists equal amount by amount, {ties} ties that it leaves open")
assert whole - ties >= 400, "too few lists were compared amount by amount"
