"""The generated pages of docs/, each a text made from where its facts are defined.

`python -m pipeline.docs` writes them anew; a test holds that they are what this makes.
"""

from __future__ import annotations

from pipeline.docs.commands import commands_page
from pipeline.docs.dictionary import dictionary_page
from pipeline.docs.handbook import measures_page
from pipeline.docs.rules import rules_page
from pipeline.docs.simulator import simulator_page


def generated() -> dict[str, str]:
    """The text of every generated page by its file name in docs/."""
    return {
        "commands.md": commands_page(),
        "data-dictionary.md": dictionary_page(),
        "measures.md": measures_page(),
        "rules.md": rules_page(),
        "simulator.md": simulator_page(),
    }
