"""The console commands: parse, one job call, print, exit code."""
