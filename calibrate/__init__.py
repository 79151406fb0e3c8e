"""Coverage and false-alarm rates on simulated fleets with planted truth."""
