"""Orchestration: commands, watcher, flows and deployments; no arithmetic, no file parsing."""
