"""How do the benchmark's figures look? Quiet, one ink per meaning, and every meaning also by shape or word."""

from __future__ import annotations

import matplotlib as mpl

mpl.use("Agg")


INK = "#22303c"
"""Text, axes, readings."""
TEAL = "#1f6f78"
"""The estimate."""
WARM = "#b5532a"
"""The truth, and what is wrong."""
SAND = "#d9cdb8"
"""Bands and quiet fills."""
MUTED = "#8a949c"
"""Everything else."""

LOOK: dict[str, object] = {
    "font.family": "DejaVu Serif",
    "font.size": 8.0,
    "axes.titlesize": 8.0,
    "axes.labelsize": 8.0,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": 7.0,
    "ytick.labelsize": 7.0,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "legend.frameon": False,
    "legend.fontsize": 7.0,
    "figure.dpi": 150.0,
    "savefig.bbox": "tight",
}
"""Settings for `matplotlib.rc_context`."""
