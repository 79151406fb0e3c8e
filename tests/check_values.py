"""Limits of every step for tests: check values, common practice, no source (the library itself ships none of them)."""

from pathlib import Path

from ventbook import tables

TRADE_FILE = Path(__file__).with_name("trade_limits.toml")
TRADE = tables.load_limits(TRADE_FILE)


def manual_limit(step: str, unit: str, **numbers: float) -> str:
    """A row of a shop's own limits.toml, from an invented manual, for every engine type."""
    lines = ["[[limit]]", f'step = "{step}"', 'engine_type = "*"', f'unit = "{unit}"', 'status = "manual"']
    lines += ['revision = "A1"', "effective_from = 2020-01-01", 'source = "invented"']
    return "\n".join([*lines, *(f"{name} = {value}" for name, value in numbers.items())]) + "\n\n"


def gap_limits(high: float = 0.5) -> str:
    """A gap limit in mm, meant for 70 N, as the text of a shop's own limits.toml."""
    force = manual_limit("check_force", "N", low=63, high=77, reference=70)
    return manual_limit("lifter_gap", "mm", high=high) + force
