"""Write the generated pages into docs/, or into the folder that is named."""

import sys
from pathlib import Path

from pipeline.docs import generated

folder = Path(sys.argv[1] if len(sys.argv) > 1 else "docs")
folder.mkdir(exist_ok=True)
for name, text in generated().items():
    (folder / name).write_text(text, encoding="utf-8", newline="\n")
