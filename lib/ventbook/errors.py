"""The one error for input that can't be used: a missing file, a column without unit, a store that isn't there.

Its message is meant for the person at the keyboard: one line that says what is wrong, where, and what to do.
The command line prints it without a traceback and ends with exit code 2. Bad *rows* never raise it: they are
quarantined, counted and shown.
"""

from __future__ import annotations


class InputError(ValueError):
    """Input or call that can't be used. ``str(error)`` is one line a fault: what, where, what to do."""
