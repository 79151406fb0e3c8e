"""Failing shares, waiting times, trends and causes. Nothing here reads a store, plots or words a sentence."""
