"""One module per job: each reads as a list of calls to the stages."""
