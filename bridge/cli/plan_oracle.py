"""The short-lived child that shows message plans to the oracles (ARCHITECTURE rule 10).

``python -m bridge.cli.plan_oracle`` reads JSON lines ``{"digest", "format", "payloads": [base64, ...]}`` from standard
input and answers each with ``{"digest", "fault"}``, the fault empty where every payload passed. The service
starts it for plans it has not seen, so that the serving process never imports the oracles.
"""

from __future__ import annotations

import base64
import gc
import json
import os
import sys

from bridge.model import Format
from bridge.render.oracles import oracle_faults


def main() -> int:
    """Answer every line of standard input."""
    os.nice(10)  # intake and delivery come first on a small machine
    gc.freeze()  # the libraries' tables stand for good: looking through them for lost cycles took a fifth of the time
    gc.set_threshold(50_000, 20, 20)
    for line in sys.stdin:
        asked = json.loads(line)
        fault = ""
        for payload in asked["payloads"]:
            faults = oracle_faults(Format(asked["format"]), base64.b64decode(payload))
            if faults:
                fault = "; ".join(faults[:3])
                break
        print(json.dumps({"digest": asked["digest"], "fault": fault}), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
