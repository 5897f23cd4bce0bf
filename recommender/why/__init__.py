"""Why a step is what it is: evidence, what was learnt, effects of the knobs, what was ruled out, past predictions."""

from recommender.why.explanation import Explanation
from recommender.why.why import explain, explain_decision

__all__ = ["Explanation", "explain", "explain_decision"]
