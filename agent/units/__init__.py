"""How backup units are heard: polls, notifications, and RFC 1628 behind the seam of a source."""
