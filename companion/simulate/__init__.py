"""A lake, a boat and an angler that do not exist: demo days with known truth."""
