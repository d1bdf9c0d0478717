"""Whether every part of the companion works: heartbeats while it runs, and a check of each before it does."""
