"""Engineering analysis of venting and run-up records of dry-sump piston engines with hydraulic lifters."""

__version__ = "0.2.0"
