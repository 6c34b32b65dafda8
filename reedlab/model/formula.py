"""Read a model formula: its terms as typed, and the same in names that cannot clash.

Headers are typed by people: a column may be called ``Wall (mm)``, ``class``, ``log`` or
``C``. So every column gets an internal name before formulaic evaluates anything, and
terms keep the names as typed for all that is printed. What would be coded otherwise
than sum-to-zero (a contrast of one's own, a comparison that makes a category) is
refused: tests of type III would mean something else.
"""

import ast
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

from formulaic import Formula, SimpleFormula
from formulaic.errors import FormulaicError
from formulaic.parser.types import Factor, Term
from formulaic.transforms import TRANSFORMS

from reedlab.errors import CallError, unknown_name

#: Headers that would be read as arithmetic outside backticks, such as size-average.
_LIKE_ARITHMETIC = re.compile(r"\w\s*[-+*/^]\s*\w")


@dataclass(frozen=True)
class Reading:
    """A formula as typed; columns are those of the data, in the order of their mention.

    Attributes
    ----------
    response : str
        The left side.
    left, right : tuple of formulaic.Term
        Terms of both sides.
    response_columns : tuple of str
    variables : dict of str to tuple of str
        Columns of every term of the right side.
    """

    response: str
    left: tuple[Term, ...]
    right: tuple[Term, ...]
    response_columns: tuple[str, ...]
    variables: dict[str, tuple[str, ...]]

    @property
    def columns(self) -> tuple[str, ...]:
        """Every column that the formula needs."""
        rest = [name for names in self.variables.values() for name in names]
        return tuple(dict.fromkeys([*self.response_columns, *rest]))


def read(formula: str, present: Collection[str]) -> Reading:
    """Read a formula for a table with these columns.

    Raises
    ------
    CallError
        For a formula that cannot be read, and for a column or function that is not there.

    Examples
    --------
    >>> found = read("log(crow) ~ `Wall (mm)`*C(cane)", ["crow", "Wall (mm)", "cane"])
    >>> found.variables["Wall (mm):C(cane)"]
    ('Wall (mm)', 'cane')
    """
    _require_backticks(formula, present)
    parsed = _parsed(formula)
    variables = {plain(term): _columns_of(term, present) for term in parsed.rhs}
    if len(variables) < len(parsed.rhs):
        raise CallError(f"Two terms of '{formula}' are written alike. Rename a column.")
    names = tuple(name for term in parsed.lhs for name in _columns_of(term, present))
    response = ":".join(plain(term) for term in parsed.lhs)
    return Reading(response, tuple(parsed.lhs), tuple(parsed.rhs), names, variables)


def translated(
    terms: Collection[Term], names: Mapping[str, str], categorical: Collection[str] = ()
) -> tuple[SimpleFormula, dict[str, str]]:
    """Write terms with internal names, categories as ``_sum_to_zero(name)``.

    Returns the formula, and the column of every expression that stands for a category.
    """
    coded: dict[str, str] = {}
    back = {internal: name for name, internal in names.items()}

    def translate(factor: Factor) -> Factor:
        if factor.eval_method.value == "lookup":
            if factor.expr not in categorical:
                return Factor(names[factor.expr], eval_method="lookup")
            expression = f"_sum_to_zero({names[factor.expr]})"
            coded[expression] = factor.expr
            return Factor(expression, eval_method="python", kind="categorical")
        if factor.eval_method.value == "python":
            expression = ast.unparse(_Renamer(names).visit(_tree(factor.expr)))
            if (one := re.fullmatch(r"C\((\w+)\)", expression)) and one[1] in back:
                coded[expression] = back[one[1]]
            return Factor(expression, eval_method="python")
        return factor

    return SimpleFormula([Term([translate(f) for f in term.factors]) for term in terms]), coded


def plain(term: Any) -> str:
    """Write a term with the headers as typed."""
    return str(term).replace("`", "")


def quoted(name: str) -> str:
    """Write a column name so that a formula takes it as one name, whatever is in it.

    Examples
    --------
    >>> quoted("Wall thickness (mm)"), quoted("shape")
    ('`Wall thickness (mm)`', 'shape')
    """
    return name if name.isidentifier() else f"`{name}`"


def _require_backticks(formula: str, present: Collection[str]) -> None:
    bare = re.sub(r"`[^`]*`", " ", formula)
    for name in present:
        if _LIKE_ARITHMETIC.search(name) and re.search(rf"(?<!\w){re.escape(name)}(?!\w)", bare):
            raise CallError(
                f"'{name}' is a column, but would be read as arithmetic: write `{name}` in "
                "backticks, or spell out what is meant."
            )


def _parsed(formula: str) -> Any:
    if re.search(r"~(.*[\s+(])?\.([\s+)]|$)", formula):
        raise CallError(f"The formula '{formula}' has a '.': write the terms out instead.")
    try:
        parsed = Formula(formula)
    except (FormulaicError, SyntaxError) as error:
        first_line = str(error).splitlines()[0].replace(" (<unknown>, line 1)", ".")
        hint = "A header that is not a plain word stands in backticks, e.g. `Wall (mm)`."
        if "|" in formula:
            hint = 'Random terms are named apart: groups=["tube"].'
        raise CallError(f"The formula '{formula}' cannot be read: {first_line} {hint}") from error
    if not hasattr(parsed, "lhs"):
        raise CallError(f"The formula '{formula}' has no response: write 'response ~ terms'.")
    if not isinstance(parsed.lhs, SimpleFormula) or len(parsed.lhs) != 1:
        raise CallError(f"The formula '{formula}' has more than one response.")
    if not isinstance(parsed.rhs, SimpleFormula):
        raise CallError(
            f"The formula '{formula}' has more than one right side. "
            'Random terms are named apart: groups=["tube"].'
        )
    return parsed


def _columns_of(term: Term, present: Collection[str]) -> tuple[str, ...]:
    found: list[str] = []
    for factor in term.factors:
        if factor.eval_method.value == "lookup":
            found.append(factor.expr)
        elif factor.eval_method.value == "python":
            reader = _Reader(present, factor.expr)
            reader.visit(_tree(factor.expr))
            found += reader.found
    for name in found:
        if name not in present:
            raise unknown_name("column", name, map(str, present))
    return tuple(dict.fromkeys(found))


def _tree(expression: str) -> ast.Expression:
    """Parse an expression; a header in backticks becomes one Name, whatever is in it."""
    headers: list[str] = []

    def stand_in(match: re.Match) -> str:
        headers.append(match[1])
        return f" _header_{len(headers) - 1}_ "

    try:
        tree = ast.parse(re.sub(r"`([^`]*)`", stand_in, expression).strip(), mode="eval")
    except SyntaxError as error:
        raise CallError(f"'{expression}' in the formula cannot be read: {error.msg}.") from error
    for node in ast.walk(tree):
        if isinstance(node, ast.Name) and (one := re.fullmatch(r"_header_(\d+)_", node.id)):
            node.id = headers[int(one[1])]
    return tree


def _root(node: ast.AST) -> ast.AST:
    while isinstance(node, ast.Attribute):
        node = node.value
    return node


class _Reader(ast.NodeVisitor):
    """Collect the columns of an expression, in order; refuse what would be coded amiss."""

    def __init__(self, present: Collection[str], expression: str) -> None:
        self.present, self.expression = present, expression
        self.found: list[str] = []

    def visit_Call(self, node: ast.Call) -> None:
        root = _root(node.func)
        if not isinstance(root, ast.Name):
            self.visit(node.func)
        elif root.id not in TRANSFORMS:
            if isinstance(node.func, ast.Name):
                raise unknown_name("function", root.id, TRANSFORMS)
            self.visit(root)
        elif root.id == "C" and not (
            len(node.args) == 1 and isinstance(node.args[0], ast.Name) and not node.keywords
        ):
            raise CallError(
                f"{self.expression}: C() takes one column and no coding of one's own. Categories "
                "are coded sum-to-zero, so that tests of type III mean what they say."
            )
        for argument in [*node.args, *node.keywords]:
            self.visit(argument)

    def visit_Name(self, node: ast.Name) -> None:
        if node.id in self.present or node.id not in TRANSFORMS:
            self.found.append(node.id)

    def visit_Compare(self, node: ast.Compare) -> None:
        raise CallError(
            f"{self.expression}: a comparison makes a category. Give it a column of its own."
        )


class _Renamer(ast.NodeTransformer):
    """Put internal names for columns; a function keeps its name."""

    def __init__(self, names: Mapping[str, str]) -> None:
        self.names = names

    def visit_Call(self, node: ast.Call) -> ast.Call:
        root = _root(node.func)
        if not (isinstance(root, ast.Name) and root.id in TRANSFORMS):
            node.func = self.visit(node.func)
        node.args = [self.visit(argument) for argument in node.args]
        node.keywords = [self.visit(argument) for argument in node.keywords]
        return node

    def visit_Name(self, node: ast.Name) -> ast.Name:
        node.id = self.names.get(node.id, node.id)
        return node
