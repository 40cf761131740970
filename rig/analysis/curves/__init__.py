"""Two setups compared at equal speed. Pure: means of throttle steps in, answers out."""

from rig.analysis.curves.answers import (
    Band,
    Caution,
    CurveComparison,
    CurveQuestion,
    Curves,
    Overall,
    Reason,
    Remark,
)
from rig.analysis.curves.comparison import compare_curves
from rig.analysis.curves.trends import CurveTrends, trends_at

__all__ = [
    "Band",
    "Caution",
    "CurveComparison",
    "CurveQuestion",
    "CurveTrends",
    "Curves",
    "Overall",
    "Reason",
    "Remark",
    "compare_curves",
    "trends_at",
]
