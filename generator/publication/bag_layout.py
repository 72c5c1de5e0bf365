"""Where things lie in an archive of ours, and the names of its facts. Formats: BagIt 1.0 (RFC 8493), RO-Crate 1.1.

The payload folder is the root of the RO-Crate, as RO-Crate 1.1 has it ("Adding RO-Crate to BagIt", implementation
notes), so that both descriptions hold for the same folder.
"""

from __future__ import annotations

# Version of what is described here. A later layout that this version cannot read gets the next number.
FORMAT = "whirlbook-bag/1"

DECLARATION = "bagit.txt"
DECLARED = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
INFO = "bag-info.txt"
README = "README.txt"
FETCH = "fetch.txt"
PAYLOAD = "data"
SEASON = f"{PAYLOAD}/season"
RESULTS = f"{PAYLOAD}/results"
SITE = f"{PAYLOAD}/site"
SCHEMAS = f"{PAYLOAD}/schemas"
VERSIONS = f"{PAYLOAD}/software/versions.json"
REQUIREMENTS = f"{PAYLOAD}/software/requirements.txt"
CRATE_NAME = "ro-crate-metadata.json"
CRATE = f"{PAYLOAD}/{CRATE_NAME}"

# Labels of bag-info.txt that RFC 8493, 2.2.2 does not reserve.
FORMAT_LABEL = "Whirlbook-Bag-Format"
VERSION_LABEL = "Whirlbook-Version"
CONTENTS_LABEL = "Whirlbook-Contents"
RESULTS_LABEL = "Whirlbook-Results-Format"
LICENCE_LABEL = "Licence"
WHOLE_SEASON = "season"


def results_file(session_id: str) -> str:
    """Where the results of a session lie in a bag."""
    return f"{RESULTS}/{session_id}/results.json"
