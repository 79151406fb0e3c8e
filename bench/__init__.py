"""Speed and memory, side by side in one run: ratios carry over to another machine, seconds don't."""
