"""Pictures as SVG text: they work without scripts, print, and can be tested as text."""
