"""Runs the notebooks, exports HTML, PDF and workbook, stamps them, makes them again to compare; the command line.

Imports nothing by itself, so that the command line answers at once.
"""
