"""One set: the camera's shift, sway where the merge blends, coverage, and the outlook."""
