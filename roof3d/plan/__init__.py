"""Plan files: read, written, described by a JSON Schema, all from one table of keys."""

from roof3d.plan.options import plan_from_options
from roof3d.plan.read import candidates_path, model_path, parse_plan, read_plan, rules_for
from roof3d.plan.schema import plan_schema
from roof3d.plan.write import plan_text, write_plan

__all__ = [
    "candidates_path",
    "model_path",
    "parse_plan",
    "plan_from_options",
    "plan_schema",
    "plan_text",
    "read_plan",
    "rules_for",
    "write_plan",
]
