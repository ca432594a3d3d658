"""Renders every sentence once, from a message key with SI values, for a language and units."""

from holdwatch_procedures.wording.amounts import duration_text, grams_text
from holdwatch_procedures.wording.render import in_units, render, said
from holdwatch_procedures.wording.say import NOTHING, Say, Value, as_written, sentences
from holdwatch_procedures.wording.units import Units

__all__ = [
    "NOTHING",
    "Say",
    "Units",
    "Value",
    "as_written",
    "duration_text",
    "grams_text",
    "in_units",
    "render",
    "said",
    "sentences",
]
