"""What is learnt of batteries and loads: the live estimate, full runs, health, the unexplained."""
