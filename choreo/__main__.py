"""`python -m choreo` is the command `choreo`."""

from choreo.cli import main

raise SystemExit(main())
