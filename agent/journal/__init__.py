"""The record of everything, the truth after a crash: events in SQLite, by a thread of its own."""
