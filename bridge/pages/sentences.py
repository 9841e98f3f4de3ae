"""Finds the texts of a template, and puts another language in their place as the template is compiled: in each language a page costs the same.

Templates are written in plain English, and nothing in them need be marked: every stretch of text between two tags of HTML or two statements
of Jinja is one text, with what is put into it as named places; so are the attributes that people read or hear, and the words that an
expression in such a place may give. What is said in another place (an argument of a macro, a variable) is marked with ``_()``.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from jinja2 import Environment, nodes

from bridge.pages.language import Language

SAID_ATTRIBUTES = frozenset({"title", "aria-label", "placeholder", "alt", "data-head", "aria-description"})
UNSAID_ELEMENTS = frozenset({"code", "kbd", "pre", "samp", "script", "style", "textarea"})  # their content is no language's
UNSAID_BLOCKS = frozenset({"back", "here", "script", "watch"})  # addresses and names, of base.html
CALLED = frozenset(
    {"closed_how", "value", "verified"}
)  # attributes that hold a word of ours: how a member of an enumeration is called
PASSING = frozenset({"begin", "plain", "shown", "told"})  # give back the words that they are given
COUNTED = "counted"
MARK = "_"
LETTER = re.compile(r"[^\W\d_]")
WORD = re.compile(r"[^\W\d_]{2}")  # a figure's form, such as `%g`, has none
ENTITY = re.compile(r"&#?\w+;")
PLACE = re.compile(r"\{(\w+)\}")
TAG = re.compile(r"<([/!]?)([a-zA-Z][\w-]*)")
VALUE = re.compile(r"([\w-]+)=([\"'])")

Says = Callable[[str, int], str]  # a text and its line; gives what stands in its place
SaysCounted = Callable[[str, str, int], None]


@dataclass(frozen=True, slots=True)
class At:
    """Where in the HTML a template stands: between tags, in one, or in an attribute's value."""

    attribute: str | None = None
    quote: str = ""
    tag: str = ""
    in_tag: bool = False
    unsaid: str = ""

    @property
    def is_said(self) -> bool:
        """Say whether people read or hear what stands here."""
        if self.attribute is not None:
            return self.attribute in SAID_ATTRIBUTES
        return not self.in_tag and not self.unsaid


Piece = tuple[bool, str]  # whether it is said, and the text


def cut(text: str, at: At) -> tuple[list[Piece], At]:
    """Cut a stretch of HTML into what is said and what is not, from where it stands; give also where it ends."""
    found: list[Piece] = []
    while text:
        size, after = _next(text, at)
        found.append((at.is_said, text[:size]))
        text, at = text[size:], after
    return [piece for piece in found if piece[1]], at


def _next(text: str, at: At) -> tuple[int, At]:
    """Give how far what stands here goes, and where it leaves."""
    if at.attribute is not None:
        end = text.find(at.quote)
        return (len(text), at) if end < 0 else (end, replace(at, attribute=None, quote="", in_tag=True))
    if at.in_tag:
        return _through_tag(text, at)
    opening = TAG.search(text) if not at.unsaid else re.search(rf"<(/)({at.unsaid})\b", text)
    if opening is None:
        return len(text), at
    if opening.start():
        return opening.start(), at
    return 0, replace(at, in_tag=True, tag=opening[1] + opening[2].lower(), quote="")


def _through_tag(text: str, at: At) -> tuple[int, At]:
    value, end = VALUE.search(text), text.find(">")
    if value is not None and (end < 0 or value.start() < end):
        return value.end(), replace(at, attribute=value[1], quote=value[2])
    if end < 0:
        return len(text), at
    unsaid = at.tag if at.tag in UNSAID_ELEMENTS else "" if at.tag.removeprefix("/") == at.unsaid else at.unsaid
    return end + 1, replace(at, in_tag=False, tag="", unsaid=unsaid)


@dataclass(frozen=True, slots=True)
class Reader:
    """Goes through a template's tree as it will be shown. ``says`` is asked for each text; ``counts`` is told of each with a count."""

    says: Says
    counts: SaysCounted = lambda _one, _many, _line: None

    def read(self, template: nodes.Template) -> None:
        """Go through a whole template, and change it to what ``says`` gave."""
        for call in template.find_all(nodes.Call):
            self._call(call)
        self._body(template.body, At())

    def _body(self, body: list[nodes.Node], at: At) -> At:
        for place, node in enumerate(body):
            if isinstance(node, nodes.Output):
                body[place], at = self._output(node, at)
            elif isinstance(node, nodes.If):
                ends = [self._body(part, at) for part in (node.body, *(each.body for each in node.elif_), node.else_)]
                at = ends[0]
            elif isinstance(node, nodes.For):
                self._body(node.else_, at)
                at = self._body(node.body, at)
            elif isinstance(node, (nodes.With, nodes.ScopedEvalContextModifier)):
                at = self._body(node.body, at)
            elif isinstance(node, nodes.Block):
                at = at if node.name in UNSAID_BLOCKS else self._body(node.body, at)
            elif isinstance(node, (nodes.Macro, nodes.CallBlock, nodes.FilterBlock, nodes.AssignBlock)):
                self._body(node.body, At())
        return at

    def _output(self, output: nodes.Output, at: At) -> tuple[nodes.Node, At]:
        made: list[nodes.Expr] = []
        run: list[nodes.Expr] = []
        for node in output.nodes:
            if not isinstance(node, nodes.TemplateData):
                if at.is_said:
                    run.append(self._said(node))
                else:
                    made += [*self._run(run, output.lineno), node]
                    run = []
                continue
            pieces, at = cut(node.data, at)
            for is_said, text in pieces:
                data = nodes.TemplateData(text, lineno=node.lineno)
                if is_said:
                    run.append(data)
                else:
                    made += [*self._run(run, node.lineno), data]
                    run = []
        made += self._run(run, output.lineno)
        return nodes.Output(made, lineno=output.lineno), at

    def _run(self, run: Sequence[nodes.Expr], line: int) -> list[nodes.Expr]:
        """Give what stands in the place of a stretch of text and expressions."""
        data = "".join(each.data for each in run if isinstance(each, nodes.TemplateData))
        if not LETTER.search(ENTITY.sub("", data)):
            return list(run)
        text, places = "", dict[str, nodes.Expr]()
        for each in run:
            if isinstance(each, nodes.TemplateData):
                text += each.data
            else:
                name = name_of(each)
                places[name if name not in places else f"{name}{len(places) + 1}"] = each
                text += "{" + list(places)[-1] + "}"
        said = text.strip()
        before, after = text[: len(text) - len(text.lstrip())], text[len(text.rstrip()) :]
        parts = PLACE.split(before + self.says(" ".join(said.split()), line) + after)
        return [
            nodes.TemplateData(part, lineno=line) if at % 2 == 0 else places[part]
            for at, part in enumerate(parts)
            if at % 2 or part
        ]

    def _said(self, node: nodes.Expr) -> nodes.Expr:
        """Give an expression whose words people read, with those that stand in it put into the language."""
        if isinstance(node, nodes.CondExpr):
            node.expr1 = self._said(node.expr1)
            node.expr2 = self._said(node.expr2) if node.expr2 is not None else None
        elif isinstance(node, (nodes.Or, nodes.And, nodes.Add)):
            node.left, node.right = self._said(node.left), self._said(node.right)
        elif isinstance(node, nodes.Concat):
            node.nodes = [self._said(each) for each in node.nodes]
        elif isinstance(node, nodes.Call) and isinstance(node.node, nodes.Name) and node.node.name in PASSING:
            node.args = [self._said(each) for each in node.args]
        elif isinstance(node, nodes.Filter) and node.node is not None:
            node.node = self._said(node.node)
        else:
            return self._word(node)
        return node

    def _word(self, node: nodes.Expr) -> nodes.Expr:
        """Give a word in the language: one that stands there, one of a table that stands there, or how a member of an enumeration is called."""
        if isinstance(node, nodes.Const) and isinstance(node.value, str) and WORD.search(node.value):
            word = node.value.strip()
            return nodes.Const(node.value.replace(word, self.says(word, node.lineno)), lineno=node.lineno)
        for pair in table_of(node):
            pair.value = self._said(pair.value)
        if isinstance(node, nodes.Getattr) and node.attr in CALLED:
            return nodes.Call(nodes.Name(MARK, "load", lineno=node.lineno), [node], [], None, None, lineno=node.lineno)
        return node

    def _call(self, call: nodes.Call) -> None:
        """Tell of a text that is marked, and of a noun with its count: both are looked up as the page is shown."""
        if not isinstance(call.node, nodes.Name):
            return
        words = [each.value for each in call.args if isinstance(each, nodes.Const) and isinstance(each.value, str)]
        if call.node.name == MARK and words:
            self.says(words[0], call.lineno)
        elif call.node.name == COUNTED and words:
            self.counts(words[0], words[1] if len(words) > 1 else words[0] + "s", call.lineno)


def table_of(node: nodes.Expr) -> Sequence[nodes.Pair]:
    """Give the rows of a table that stands in a template and is asked there, by ``[...]`` or by ``.get(...)``; none for anything else."""
    if isinstance(node, nodes.Call) and isinstance(node.node, nodes.Getattr) and node.node.attr == "get":
        node = node.node
    if isinstance(node, (nodes.Getitem, nodes.Getattr)) and isinstance(node.node, nodes.Dict):
        return node.node.items
    return ()


def name_of(node: nodes.Expr) -> str:
    """Give the name of a place in a text: the last name of what is put there."""
    if isinstance(node, nodes.Call):
        first = name_of(node.args[0]) if node.args else "it"
        return first if first != "it" or not isinstance(node.node, nodes.Name) else node.node.name
    if isinstance(node, nodes.Getattr):
        return name_of(node.node) if node.attr == "value" else node.attr
    if isinstance(node, nodes.Name):
        return node.name
    if isinstance(node, (nodes.Filter, nodes.Getitem)) and node.node is not None:
        return name_of(node.node)
    if isinstance(node, (nodes.Or, nodes.And)):
        return name_of(node.left)
    if isinstance(node, nodes.CondExpr):
        return name_of(node.expr1)
    return "it"


class Speaking(Environment):
    """An environment whose templates speak one language."""

    language: Language

    def _generate(self, source: nodes.Template, name: str | None, filename: str | None, *args: Any, **named: Any) -> str:
        """Put the language in before a template becomes code: the hook that Jinja has for it."""
        page = name or ""
        Reader(lambda text, _line: self.language.text(text, page=page)).read(source)
        return super()._generate(source, name, filename, *args, **named)


def texts_of(source: str, environment: Environment) -> tuple[list[tuple[str, int]], list[tuple[str, str, int]]]:
    """Give the texts of a template with their lines, and the nouns with a count."""
    texts: list[tuple[str, int]] = []
    several: list[tuple[str, str, int]] = []

    def keep(text: str, line: int) -> str:
        texts.append((text, line))
        return text

    Reader(keep, lambda one, many, line: several.append((one, many, line))).read(environment.parse(source))
    return texts, several
