"""Plots as SVG, drawn here: for pages and reports that need no script. Pure."""
