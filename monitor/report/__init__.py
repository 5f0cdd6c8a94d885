"""The run on paper: gathered from one journal, then written as one HTML file or as JSON."""
