"""Everything that a report needs, loaded once: report processes are forked from the process that imported this.

Only imports and small tables belong here. Nothing here may start a thread, open a store or draw a random number.
"""

import deltalake
import ipykernel.kernelapp
import latex2mathml.converter
import markdown_it
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

import ventbook.document.typst
import ventbook.document.xlsx
import ventbook.jobs
import ventbook.pages
import ventbook.reports.export
import ventbook.reports.work
from ventbook import dictionary, plots, units
from ventbook.document.typst import quote

LOADED = (
    deltalake,
    ipykernel.kernelapp,
    latex2mathml.converter,
    markdown_it,
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
    ventbook.document.typst,
    ventbook.document.xlsx,
    ventbook.jobs,
    ventbook.pages,
    ventbook.reports.export,
    ventbook.reports.work,
)
quote("°")
figure, axes = plots.new_figure()
axes.set_title("0123456789 abcdefghijklmnopqrstuvwxyz")
plots.svg_bytes(figure)
dictionary.tables()
units.convert(1.0, "mm", "in")
