"""`python -m doe.cli`: the same as `doe`."""

from doe.cli import main

main()
