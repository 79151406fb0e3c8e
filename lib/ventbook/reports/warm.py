"""Everything that a report needs, loaded once: report processes are forked from the process that imported this.

Only imports and small tables belong here. Nothing here may start a thread, open a store or draw a random number.
"""

import deltalake
import ipykernel.kernelapp
import matplotlib.backends.backend_svg
import matplotlib.figure
import numpy
import pandas
import papermill
import pyarrow.compute
import pyarrow.dataset
import pyarrow.parquet
import scipy.optimize
import scipy.special
import scipy.stats
import statsmodels.api
import typst
import xlsxwriter

import ventbook.jobs
import ventbook.pages
import ventbook.reports.work
from ventbook import dictionary, units

LOADED = (
    deltalake,
    ipykernel.kernelapp,
    matplotlib.backends.backend_svg,
    matplotlib.figure,
    numpy,
    pandas,
    papermill,
    pyarrow.compute,
    pyarrow.dataset,
    pyarrow.parquet,
    scipy.optimize,
    scipy.special,
    scipy.stats,
    statsmodels.api,
    typst,
    xlsxwriter,
    ventbook.jobs,
    ventbook.pages,
    ventbook.reports.work,
)
dictionary.tables()
units.convert(1.0, "mm", "in")
