"""Every published expansion criterion side by side, with the uncertainty carried through."""
