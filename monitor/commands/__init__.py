"""What each command does, one module for each group; imported only when its command is called."""
