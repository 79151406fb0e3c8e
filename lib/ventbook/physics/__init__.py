"""What oil, pump, lines, lifters and gauges do: formulas and their uncertainty, no records."""
