"""``python -m holdwatch_cli`` is ``holdwatch``."""

from holdwatch_cli.main import main

main()
