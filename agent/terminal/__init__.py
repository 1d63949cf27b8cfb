"""The same picture as on the page, in a terminal: what the agent says, and how it is drawn."""
