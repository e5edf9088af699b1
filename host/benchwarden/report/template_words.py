"""The fixed sentences of the Typst templates, in the record's language."""

from __future__ import annotations

import re
from importlib import resources

from benchwarden.report.wording import Wording

_MESSAGE = re.compile(r'\bt\(\s*"((?:[^"\\]|\\.)*)"')


def template_messages(*templates: str) -> tuple[str, ...]:
    """Return the messages that templates beside this module ask for, in order, each once."""
    own = resources.files("benchwarden.report")
    texts = [own.joinpath(name).read_text(encoding="utf-8") for name in templates]
    return tuple(dict.fromkeys(found for text in texts for found in _MESSAGE.findall(text)))


def template_words(say: Wording, *templates: str) -> dict[str, str]:
    """Return what each of these messages is in the record's language."""
    return {message: say(message) for message in template_messages(*templates)}
