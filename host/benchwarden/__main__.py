"""`python -m benchwarden` is the `benchwarden` command."""

import sys

from benchwarden.cli import main

sys.exit(main())
