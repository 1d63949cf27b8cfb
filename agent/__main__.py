"""`python -m agent` is `lastwatt`."""

from agent.cli import main

main(prog_name="lastwatt")
