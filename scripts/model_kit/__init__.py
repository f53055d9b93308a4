"""Exact construction of the example buildings: solids from plane pieces, files, answers by hand."""
