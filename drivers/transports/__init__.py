"""What drivers speak over: the one place where each network library is imported."""
