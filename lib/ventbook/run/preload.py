"""Everything that a report needs, loaded once: report processes are forked from the process that imported this.

Only imports and small tables belong here. Nothing here may start a thread, open a store or draw a random number.
"""

import gc
import importlib
import importlib.util
from collections.abc import Sequence

import deltalake
import latex2mathml.converter
import markdown_it
import numpy
import pandas
import pyarrow.compute
import pyarrow.dataset
import pyarrow.parquet
import scipy.special
import typst
import xlsxwriter

import ventbook.document.typst
import ventbook.document.xlsx
import ventbook.model
import ventbook.reports
import ventbook.run.export
import ventbook.run.worker
from ventbook import tables
from ventbook.document.typst import quote, text_width
from ventbook.reports.kept import library_hash
from ventbook.reports.scope import package_versions
from ventbook.run.lean import load_kernel, load_papermill
from ventbook.tables import units

LOADED = (
    deltalake,
    latex2mathml.converter,
    markdown_it,
    numpy,
    pandas,
    pyarrow.compute,
    pyarrow.dataset,
    pyarrow.parquet,
    scipy.special,
    typst,
    xlsxwriter,
    ventbook.document.typst,
    ventbook.document.xlsx,
    ventbook.model,
    ventbook.reports,
    ventbook.run.export,
    ventbook.run.worker,
)
load_papermill(), load_kernel()
quote("°")
text_width("0"), text_width("0", bold=True)
tables.record_tables()
tables.load_limits()
units.convert(1.0, "mm", "in")
library_hash(), package_versions()


def load_rooms(names: Sequence[str]) -> None:
    """The rooms of these reports, which have their names, too."""
    for name in names:
        room = f"ventbook.reports.{name.replace('-', '_')}"
        if importlib.util.find_spec(room):
            importlib.import_module(room)


gc.freeze()  # what is loaded is not looked through again in the processes that come of this one
