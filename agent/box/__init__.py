"""The box that the agent runs on: what it is known by, its service manager, its clock."""
