"""The plotting library loaded and used once: several reports have its fonts from the process that they are forked from, and a page
whose figures are kept goes without.
"""

from ventbook.document import plotting
from ventbook.run.lean import load_matplotlib

load_matplotlib()
figure, axes = plotting.new_figure()
axes.set_title("0123456789 abcdefghijklmnopqrstuvwxyz")
plotting.svg_bytes(figure)
