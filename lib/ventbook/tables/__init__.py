"""What the TOML tables of ``data/`` say: record tables and columns, issue texts, limits in force on a date,
usual values of an engine type, report parameters.

Every loader checks its table and raises :class:`TableError` naming file and row when one is wrong.
"""

from ventbook.shipped import DATA
from ventbook.tables.analysis_columns import describe_columns
from ventbook.tables.dictionary import (
    Change,
    Column,
    IssueText,
    Table,
    issue_text,
    issue_texts,
    load_changes,
    record_tables,
    stored_name,
)
from ventbook.tables.engine_types import EngineTypeValues, engine_type_values, known_engine_types
from ventbook.tables.gauges import GaugeRow, Gauges, assumed_gauge, find_own_gauges, load_gauges
from ventbook.tables.limits import (
    Limit,
    Limits,
    Step,
    find_own_limits,
    load_limits,
    load_states,
    load_steps,
    own_limits_path,
)
from ventbook.tables.parameters import Parameter, load_parameters
from ventbook.tables.reader import TableError, read_toml
from ventbook.tables.trials import (
    TrialOutcome,
    TrialRules,
    find_trial_outcome,
    load_trial_outcomes,
    load_trial_rules,
)

__all__ = [
    "DATA",
    "Change",
    "Column",
    "EngineTypeValues",
    "GaugeRow",
    "Gauges",
    "IssueText",
    "Limit",
    "Limits",
    "Parameter",
    "Step",
    "Table",
    "TableError",
    "TrialOutcome",
    "TrialRules",
    "assumed_gauge",
    "describe_columns",
    "engine_type_values",
    "find_own_gauges",
    "find_own_limits",
    "find_trial_outcome",
    "issue_text",
    "issue_texts",
    "known_engine_types",
    "load_changes",
    "load_gauges",
    "load_limits",
    "load_parameters",
    "load_states",
    "load_steps",
    "load_trial_outcomes",
    "load_trial_rules",
    "own_limits_path",
    "read_toml",
    "record_tables",
    "stored_name",
]
