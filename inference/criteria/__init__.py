"""
The key as data: criteria, options and published accuracy, read from one TOML file and checked on load.

A criteria file is refused as a whole, with the key named, rather than read in part: a key that is silently
ignored would change ages without anybody seeing it. ``default.toml`` beside this file is the shipped key.
"""

from crestgauge.inference.criteria.loading import COMMON_PRACTICE, OURS, load_criteria, parse_criteria
from crestgauge.inference.criteria.scheme import (
    Accuracy,
    CoarseGroup,
    Criteria,
    Criterion,
    Grouping,
    Options,
    Remark,
    Source,
)

__all__ = [
    "COMMON_PRACTICE",
    "OURS",
    "Accuracy",
    "CoarseGroup",
    "Criteria",
    "Criterion",
    "Grouping",
    "Options",
    "Remark",
    "Source",
    "load_criteria",
    "parse_criteria",
]
