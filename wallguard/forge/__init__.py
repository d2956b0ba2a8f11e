"""Forges: where pull requests live. Knows comments and HTTP, and nothing of parts or findings."""
