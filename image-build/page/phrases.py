"""Gathers the English texts of the page and of all that the box says on it, and brings the catalogues up to date.

python image-build/page/phrases.py          says what is missing in web/languages/*.po
python image-build/page/phrases.py update   adds new texts to them, takes out those that are gone

Nothing is marked in the sources: a text of a template is what stands between tags, and {{ expression }} in it is a
hole; a text of a module is a string or f-string that reads like words, and its {} are holes. What the tests find on a
page and not in here would show there in English. SKIPPED names what only looks like a text.
"""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import jinja2
import polib
from jinja2 import nodes

from appliance.judge.words import DAMAGE_WORDS, SAYS
from appliance.site.help_page import plain
from appliance.site.page_text import texts
from appliance.site.phrases import HOLE, untold

PROJECT = Path(__file__).resolve().parents[2]
CATALOGUES = PROJECT / "web" / "languages"

MODULES = (
    "appliance/asking.py", "appliance/compared.py", "appliance/picture.py", "appliance/picture_truth.py",
    "appliance/recent_log.py", "appliance/watch.py", "appliance/lamp.py", "appliance/fields.py",
    "appliance/history/*.py", "appliance/judge/*.py", "appliance/line/*.py", "appliance/measure/*.py",
    "appliance/sentence/*.py",
    "appliance/site/*.py",
    "appliance/take/*.py", "appliance/take/sheet/*.py",
    "appliance/tap/*.py",
)  # fmt: skip
BRIEF = (
    "appliance/site/", "appliance/sentence/", "appliance/judge/", "appliance/measure/fix.py", "appliance/take/sheet/",
)  # fmt: skip
"""Where single words in small letters can be texts too."""
NOT_SHOWN = {
    "causes_table.py",
    "languages.py",
    "phrases.py",
    "page_text.py",
    "performance.py",
    "sampling.py",
    "signature.py",
}
TABLES = ("appliance/judge/causes.toml", "appliance/judge/sheets/*.toml")
SAID_BY = {"says", "first", "proof", "because", "title"}
PLAINLY = {"says", "first", "proof"}

_COMMENT = re.compile(r"\{#.*?#\}", re.DOTALL)
_EXPRESSION = re.compile(r"\{\{(.*?)\}\}", re.DOTALL)
_BLOCK = re.compile(r"\{%.*?%\}", re.DOTALL)
_JS = re.compile(r"""\bsay\(\s*(?:"([^"]+)"|'([^']+)')""")
_NEXT = re.compile(r"(?<=[.!?])\s+(?=[A-Z{\N{LEFT DOUBLE QUOTATION MARK}])")
_FORMAT = re.compile(r"\{(\w+)(?:![rs])?(?::[^{}]*)?\}")
_BLOCK_MARK = "\uf8ff"
_FIRST_HOLE = 0xF000
_NO_TEXT = re.compile(
    r"^[\s/#.&?_-]|^[a-z\d]+(-[a-z\d]+)+$|[\\<>\[\]^$*]|\b(SELECT|INSERT|UPDATE|DELETE|PRAGMA|CREATE|WHERE|FROM|ORDER|BEGIN|ALTER)\b|[a-z]=|%[a-zA-Z]|^data:|utf-8|;q=|image/"
)


def templates() -> Iterator[tuple[str, str]]:
    """(text, place) of every template."""
    for path in sorted((PROJECT / "web" / "templates").rglob("*.html")):
        source = path.read_text("utf-8")
        place = str(path.relative_to(PROJECT))
        yield from ((text, place) for text in _between_tags(source))
        yield from ((text, place) for text in _in_expressions(source))


def _between_tags(source: str) -> Iterator[str]:
    names: list[str] = []

    def hole(found: re.Match[str]) -> str:
        names.append(_name(found[1]))
        return chr(_FIRST_HOLE + len(names) - 1)

    bare = _BLOCK.sub(_BLOCK_MARK, _EXPRESSION.sub(hole, _COMMENT.sub("", source)))
    for text in texts(bare):
        for piece in text.split(_BLOCK_MARK):
            yield from _tidy(_holed(piece, names))


def _holed(piece: str, names: list[str]) -> str:
    taken: list[str] = []
    return re.sub("[\ue000-\uf8fe]", lambda mark: "{" + _own(mark[0], names, taken) + "}", piece)


def _own(mark: str, names: list[str], taken: list[str]) -> str:
    number = ord(mark) - _FIRST_HOLE
    name = names[number] if number >= 0 else "code"
    return _free(name, taken)


def _free(name: str, taken: list[str]) -> str:
    number, own = 1, name
    while own in taken:
        number += 1
        own = f"{name}_{number}"
    taken.append(own)
    return own


def _name(expression: str) -> str:
    found = re.match(r"\s*\(*\s*([a-zA-Z_][\w.]*)", expression)
    return found[1].split(".")[-1] if found else "text"


def _tidy(text: str) -> Iterator[str]:
    """Without what stands at its edges; nothing where there are no words beside the holes."""
    text = re.sub(r"\s+", " ", text).strip()
    text = re.sub(r"^[\s.,;:)]+| · linelamp$", "", text)
    text = re.sub(r"[\s,;:(]+$", "", text)
    text = re.sub(r"^\(([^()]*)\)$", r"\1", text)
    if untold(HOLE.sub("", text)) and not HOLE.fullmatch(text):
        yield text


def _in_expressions(source: str) -> Iterator[str]:
    """Strings of a template's expressions that can be shown."""
    tree = jinja2.Environment(autoescape=True).parse(source)  # nothing is made of it
    for node in tree.find_all((nodes.CondExpr, nodes.Pair, nodes.Or, nodes.Assign, nodes.For, nodes.Call)):
        shown: list[nodes.Expr | None] = []
        match node:
            case nodes.CondExpr():
                shown = [node.expr1, node.expr2]
            case nodes.Pair():
                shown = [node.value]
            case nodes.Or():
                shown = [node.left, node.right]
            case nodes.Assign():
                shown = [node.node]
            case nodes.For(iter=nodes.Tuple(items=items)):
                shown = [leaf for item in items for leaf in (item.items if isinstance(item, nodes.Tuple) else [item])]
            case nodes.Call():
                shown = list(node.args)
        for one in shown:
            if isinstance(one, nodes.Const) and isinstance(one.value, str) and not _NO_TEXT.search(one.value):
                yield from _tidy(one.value)


def modules() -> Iterator[tuple[str, str]]:
    """(text, place) of every module that says something on the page."""
    for pattern in MODULES:
        for path in sorted(path for path in PROJECT.glob(pattern) if path.name not in NOT_SHOWN):
            place = str(path.relative_to(PROJECT))
            tree = ast.parse(path.read_text("utf-8"))
            yield from ((text, place) for text in _of_module(tree, brief=place.startswith(BRIEF)))


def _of_module(tree: ast.Module, *, brief: bool) -> Iterator[str]:
    parents = {child: node for node in ast.walk(tree) for child in ast.iter_child_nodes(node)}
    for node in ast.walk(tree):
        parent = parents.get(node)
        if isinstance(node, ast.JoinedStr):
            taken: list[str] = []
            yield from _words("".join(_piece(value, taken) for value in node.values), spaced=False)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            if isinstance(parent, (ast.Expr, ast.JoinedStr, ast.Compare, ast.Subscript, ast.FormattedValue)):
                continue
            if isinstance(parent, ast.Call) and _called(parent) in _NOT_SHOWN:
                continue
            shown = (
                brief
                and isinstance(parent, (ast.Dict, ast.IfExp, ast.Tuple))
                and not (isinstance(parent, ast.Dict) and node in parent.keys)
            )
            yield from _words(_FORMAT.sub(r"{\1}", node.value), spaced=not shown)


_NOT_SHOWN = {
    *("get", "getLogger", "pop", "add_argument", "TypeVar", "compile", "Literal", "execute", "setdefault", "field"),
    *("warning", "info", "exception", "debug", "isoformat", "strftime", "NamedTuple", "encode"),
}


def _called(call: ast.Call) -> str:
    return call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")


def _piece(value: ast.expr, taken: list[str]) -> str:
    if isinstance(value, ast.Constant):
        return str(value.value)
    assert isinstance(value, ast.FormattedValue)
    return "{" + _free(_of_expression(value.value), taken) + "}"


def _of_expression(node: ast.expr) -> str:
    """A name for the hole of an expression: of what it is about."""
    found = "text"
    match node:
        case ast.Name(id=name) | ast.Attribute(attr=name) | ast.IfExp(body=ast.Name(id=name)):
            found = name
        case ast.Subscript(slice=ast.Constant(value=str(name))) if name.isidentifier():
            found = name
        case ast.Call(args=[inner, *_]) | ast.Call(func=inner) | ast.BinOp(left=inner):
            found = _of_expression(inner)
    return found


def _words(text: str, *, spaced: bool) -> Iterator[str]:
    text = text.replace("{}", "{value}")
    bare = HOLE.sub("N", text)
    if _NO_TEXT.search(bare.strip()) and "…" not in bare:
        return
    if spaced and " " not in text.strip() and not re.fullmatch(r"[A-Z][a-z]+[.!]?", text.strip()):
        return
    for sentence in _NEXT.split(text):
        yield from _tidy(sentence)


def more() -> Iterator[tuple[str, str]]:
    """What modules put together by themselves: counts with their unit, reasons of damage, lists."""
    for says in SAYS.values():
        if untold(says.unit):
            yield f"{{number}} {says.unit}", "appliance/judge/words.py"
            yield f"{{number}} {says.unit.removesuffix('s')}", "appliance/judge/words.py"
    yield from ((reason, "appliance/judge/checks.py") for reason in DAMAGE_WORDS)
    for text in MORE.read_text("utf-8").splitlines():
        yield text, str(MORE.relative_to(PROJECT))


def tables() -> Iterator[tuple[str, str]]:
    """(text, place) of the tables."""
    for pattern in TABLES:
        for path in sorted(PROJECT.glob(pattern)):
            place = str(path.relative_to(PROJECT))
            yield from ((text, place) for text in _of_table(tomllib.loads(path.read_text("utf-8"))))


def _of_table(value: object, key: str = "") -> Iterator[str]:
    if isinstance(value, dict):
        for name, one in value.items():
            yield from _of_table(one, name)
    elif isinstance(value, list):
        for one in value:
            yield from _of_table(one, key)
    elif isinstance(value, str) and key in SAID_BY:
        if key in PLAINLY and plain(value) != value:
            yield from _tidy(plain(value))  # as the page of help has it
        for sentence in _NEXT.split(_FORMAT.sub(r"{\1}", value)):
            yield from _tidy(sentence)


def scripts() -> Iterator[tuple[str, str]]:
    """(text, place) of what a script says: say("…")."""
    for path in sorted((PROJECT / "web" / "static").glob("*.js")):
        for found in _JS.finditer(path.read_text("utf-8")):
            yield found[1] or found[2], str(path.relative_to(PROJECT))


MORE = Path(__file__).resolve().with_name("more_phrases.txt")
SKIPPED: set[str] = set((Path(__file__).resolve().with_name("no_phrases.txt")).read_text("utf-8").splitlines())


def gathered() -> dict[str, list[str]]:
    """Every text with the places that it comes from."""
    found: dict[str, list[str]] = {}
    told = ((text, place) for text, place in (*templates(), *scripts(), *tables(), *modules()) if text not in SKIPPED)
    for text, place in (*told, *more()):
        if place not in found.setdefault(text, []):
            found[text].append(place)
    return found


def missing(catalogue: polib.POFile, texts: dict[str, list[str]]) -> list[str]:
    """Texts that the catalogue does not translate for sure."""
    told = {entry.msgid for entry in catalogue if entry.translated()}
    return [text for text in texts if text not in told]


def update(catalogue: polib.POFile, texts: dict[str, list[str]]) -> None:
    """Adds what is new, takes out what is gone, tells where each text comes from."""
    entries = {entry.msgid: entry for entry in catalogue}
    catalogue.clear()
    for text, places in texts.items():
        entry = entries.get(text) or polib.POEntry(msgid=text)
        entry.occurrences = [(place, "") for place in places]
        catalogue.append(entry)
    catalogue.save()


def main() -> None:
    """See above."""
    texts = gathered()
    for path in sorted(CATALOGUES.glob("*.po")):
        catalogue = polib.pofile(str(path), wrapwidth=0)
        if "update" in sys.argv[1:]:
            update(catalogue, texts)
        lacking = missing(catalogue, texts)
        print(f"{path.stem}: {len(texts) - len(lacking)} of {len(texts)}")
        for text in lacking:
            print(f"  {text}")


if __name__ == "__main__":
    main()
