"""``python -m keybench``: the command line."""

from keybench.cli import main

main(prog_name="keybench")
