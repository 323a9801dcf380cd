"""python -m workbench.cli"""

from workbench.cli.main import main

main()
