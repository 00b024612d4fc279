"""After a trial: what changed, whether its result still holds, and what other markers say."""
