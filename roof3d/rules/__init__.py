"""Rule sets: values of law and standards as data, each with its source and how far it was verified."""

from roof3d.rules.names import ABSORBER_NAMES, NAMES, STATUSES, Name
from roof3d.rules.read import load_rules, rule_set_names
from roof3d.rules.sets import AbsorberClass, Budget, Document, Entry, RuleSet

__all__ = [
    "ABSORBER_NAMES",
    "NAMES",
    "STATUSES",
    "AbsorberClass",
    "Budget",
    "Document",
    "Entry",
    "Name",
    "RuleSet",
    "load_rules",
    "rule_set_names",
]
