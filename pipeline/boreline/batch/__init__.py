"""Many runs: discovery, isolation, resume and the cohort tables."""
