"""Plans of what to give up when: kept at hand in an outage, and reckoned for one to come."""
