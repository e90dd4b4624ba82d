"""The result folder: every file of the contract is written and read here."""
