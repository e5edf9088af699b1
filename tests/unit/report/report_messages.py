"""Every sentence that the record may have to say, read from the program itself."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from importlib import resources
from pathlib import Path

from benchwarden.core.channels import CHANNEL
from benchwarden.core.cold_checks import BY_KEY
from benchwarden.report.template_words import template_messages

TEMPLATES = ("page.typ", "record.typ", "bias_log.typ")
Message = str | tuple[str, str]


def all_messages() -> dict[Message, str]:
    """Return every message (a pair for one with a plural) with where it is said."""
    folder = Path(str(resources.files("benchwarden.report")))
    found: dict[Message, str] = {}
    for path in sorted(folder.glob("*.py")):
        for message, line in _said(ast.parse(path.read_text(encoding="utf-8"))):
            found.setdefault(message, f"{path.name}:{line}")
    for message in template_messages(*TEMPLATES):
        found.setdefault(message, "templates")
    for channel in CHANNEL.values():
        found.setdefault(channel.label, "channels")
    for check in BY_KEY.values():
        found.setdefault(check.title, "cold checks")
    return found


def _said(tree: ast.AST) -> Iterator[tuple[Message, int]]:
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
        texts = [arg.value for arg in node.args if isinstance(arg, ast.Constant) and isinstance(arg.value, str)]
        if name in ("say", "N_") and texts and isinstance(node.args[0], ast.Constant):
            yield texts[0], node.lineno
        elif name == "plural" and len(texts) == 2:
            yield (texts[0], texts[1]), node.lineno
