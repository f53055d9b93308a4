"""Check: a plan on a roof, anchor by anchor, against a rule set; the one place that knows the order."""

from roof3d.check.result import AnchorResult, Result
from roof3d.check.run import check
from roof3d.check.terms import make_limits, make_terms

__all__ = ["AnchorResult", "Result", "check", "make_limits", "make_terms"]
