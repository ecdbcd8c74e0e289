"""Floor 3: which facing, how many units, which site, what a habitat can carry, how sure."""
