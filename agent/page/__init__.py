"""The page, the HTTP interface behind it, and numbers for monitoring; the agent serves them."""
