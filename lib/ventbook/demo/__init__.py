"""An invented fleet: records of ventings that never took place, with causes planted in them.

The truth is known, so that every analysis can be asked for it back, and so that a newcomer sees what a report
says before any record is collected. All workshops, engines, people and figures are invented.
"""

from ventbook.demo.deliveries import delivery_days, write_demo
from ventbook.demo.fleet import Fleet, simulate_fleet
from ventbook.demo.large_writing import make_demo, write_large_demo

__all__ = ["Fleet", "delivery_days", "make_demo", "simulate_fleet", "write_demo", "write_large_demo"]
