"""What YAML's parser complains of, in words for the person who wrote the file."""

from __future__ import annotations

import re

import yaml

# Its wording -> ours. `{0}` is what the pattern captures.
_WORDS: tuple[tuple[str, str], ...] = (
    (r"found character '\\t' that", "a tab stands here; use spaces"),
    (
        r"found character '(.)' that",
        "a text that begins with {0} is put in quotes",
    ),
    (
        r"mapping values are not allowed",
        "a ':' does not fit here; look at the indentation, and put a text with ': ' in quotes",
    ),
    (r"could not find expected ':'", "a ':' is missing after this key"),
    (
        r"expected <block end>, but found '(?:<scalar>|[,\]}}])'",
        "this does not belong here: the value before it has ended; put the whole text in quotes",
    ),
    (r"expected <block end>", "the indentation does not fit the lines above"),
    (
        r"but found '<stream end>'",
        "the file ends too early: a value or a closing bracket is missing",
    ),
    (r"expected the node content, but found '<", "a value is missing here"),
    (r"expected the node content, but found '(.)'", "a text that begins with {0} is put in quotes"),
    (r"second occurrence", "an anchor of this name stands here twice"),
    (r"sequence entries are not allowed", "a list begins on a line of its own"),
    (
        r"found unknown escape character '(.)'",
        "\\{0} has no meaning in double quotes; use single quotes",
    ),
    (r"but found another document|expected '<document start>'", "a file holds one document"),
)


def mistake_of(error: yaml.MarkedYAMLError) -> tuple[str, yaml.Mark | None]:
    """What is wrong, and where."""
    begun, found = error.context_mark, error.problem_mark
    problem = str(error.problem or error.context)
    if problem == "found unexpected end of stream":
        return "this quote is not closed", begun
    if problem.startswith("expected ',' or"):
        bracket = "{" if "}" in problem else "["
        if begun is not None and found is not None and found.line > begun.line:
            return f"this '{bracket}' is not closed", begun
        return f"a comma is missing before this, or the '{bracket}' is not closed", found
    for pattern, words in _WORDS:
        match = re.search(pattern, problem)
        if match is not None:
            return words.format(*match.groups()), found or begun
    return f"not valid YAML: {problem}", found or begun
