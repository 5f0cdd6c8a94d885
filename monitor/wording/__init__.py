"""Words for people that more than one room says: alarms, and which goes first. Pure."""
