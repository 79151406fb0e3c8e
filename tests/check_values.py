"""Limits of every step for tests: check values, common practice, no source (the library itself ships none of them)."""

from pathlib import Path

from ventbook import dictionary

TRADE_FILE = Path(__file__).with_name("trade_limits.toml")
TRADE = dictionary.limits(TRADE_FILE)
