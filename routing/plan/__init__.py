"""From verdicts to a plan: choice, order, setups and holding, checks, estimate."""
