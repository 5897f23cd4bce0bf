"""The figures of page, sheet and README: drawn as Plotly figures, shown as SVG (``svg``) in light or dark colours."""

from recommender.figures.figures import before_after, knob_effect, measured, outcome, outlook, peaks

__all__ = ["before_after", "knob_effect", "measured", "outcome", "outlook", "peaks"]
