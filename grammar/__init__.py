"""Text in, findings out: the rule-based grammar of the spoken neurological examination.

Pure: no audio, no network, no clock. `parse` never raises on any text.
"""

from grammar.errors import DataError, Fault, GrammarError
from grammar.models import CAUTION, Code, Finding, Note, Query, Slot, Suggestion, TextSpan
from grammar.parse import Control, ParseResult, grammar_version, parse
from grammar.protocols import Catalogue, Item, catalogue
from grammar.state import Context

__all__ = [
    "CAUTION",
    "GRAMMAR_VERSION",
    "Catalogue",
    "Code",
    "Context",
    "Control",
    "DataError",
    "Fault",
    "Finding",
    "GrammarError",
    "Item",
    "Note",
    "ParseResult",
    "Query",
    "Slot",
    "Suggestion",
    "TextSpan",
    "catalogue",
    "grammar_version",
    "parse",
]


def __getattr__(name: str) -> str:
    """`GRAMMAR_VERSION` is computed when it is first asked for."""
    if name == "GRAMMAR_VERSION":
        return grammar_version()
    raise AttributeError(name)
