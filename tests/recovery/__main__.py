"""Prints a table of what was put in and what came back: `python -m tests.recovery [SEEDS]`."""

import sys
from collections import defaultdict

from tests.recovery.recover import SCENARIOS, Recovered, count_seeds, exists, recover_all


def main() -> int:
    """Print one line per scenario, device and quantity, with the worst seed; 1 if any is wrong."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else count_seeds()
    names = sys.argv[2:] or list(SCENARIOS)
    grouped: dict[tuple[str, str, str, str], list[Recovered]] = defaultdict(list)
    for row in recover_all(names, seeds):
        expected = row.expectation
        key = (row.scenario, expected.device_id, expected.quantity, expected.segment)
        grouped[key].append(row)
    out = sys.stdout
    out.write(
        "| scenario | effect | quantity | true (worst seed) | recovered | tolerance "
        "| seeds right | reason of the tolerance |\n|---|---|---|---|---|---|---|---|\n"
    )
    is_right = True
    for (scenario, _device, quantity, segment), rows in grouped.items():
        worst = max(rows, key=_miss)
        expected = worst.expectation
        value = "none" if worst.value is None else f"{worst.value:.4g}"
        note = expected.why if exists(quantity) else "NOT MEASURED YET"
        if worst.value is None and worst.reason:
            note += f" ({worst.reason})"
        label = quantity if segment == "all" else f"{quantity} [{segment}]"
        right = sum(row.is_right for row in rows)
        is_right = is_right and (right == len(rows) or not exists(quantity))
        out.write(
            f"| {scenario} | {expected.effect} | {label} | {expected.true:.4g} | {value} "
            f"| {expected.tolerance:.3g} | {right}/{len(rows)} | {note} |\n"
        )
    return 0 if is_right else 1


def _miss(row: Recovered) -> float:
    if row.value is None:
        return float("inf")
    return abs(row.value - row.expectation.true) / (row.expectation.tolerance + 1e-9)


if __name__ == "__main__":
    sys.exit(main())
