"""``python -m windstill``: the command, where its script is not on the search path."""

from __future__ import annotations

from windstill.cli import main

if __name__ == "__main__":
    main()
