"""What the TOML tables of ``data/`` say: record tables and columns, issue texts, limits in force on a date,
usual values of an engine type, report parameters.

Every loader checks its table and raises :class:`TableError` naming file and row when one is wrong.
"""

from .changes import Change, changes
from .engine_types import EngineTypeValues, engine_type_values, known_engine_types
from .files import DATA, TableError, read_toml
from .limits import Limit, Limits, find_own_limits, limit, limits, own_limits_path
from .parameters import Parameter, parameters
from .steps import Step, steps
from .tables import Column, Table, stored_name, tables
from .texts import IssueText, issue, issues

__all__ = [
    "DATA",
    "Change",
    "Column",
    "EngineTypeValues",
    "IssueText",
    "Limit",
    "Limits",
    "Parameter",
    "Step",
    "Table",
    "TableError",
    "changes",
    "engine_type_values",
    "find_own_limits",
    "issue",
    "issues",
    "known_engine_types",
    "limit",
    "limits",
    "own_limits_path",
    "parameters",
    "read_toml",
    "steps",
    "stored_name",
    "tables",
]
