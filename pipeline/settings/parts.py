"""Assumptions about the parts that vehicles carry."""

from pipeline.settings.assumption import Assumption

ASSUMPTIONS = [
    Assumption("parts.short_cost", 9, "-", "a part that lacks costs so many times one carried in vain", "our choice"),
    Assumption("parts.spare_cost", 1, "-", "a part carried in vain", "our choice", 0.001),
    Assumption("parts.shape", 2, "-", "how alike two elections are: the gamma's shape", "our choice", 0.1, 1000),
]
