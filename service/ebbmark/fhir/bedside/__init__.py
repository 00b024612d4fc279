"""What a site has decided: its files of rules, conditions, codes and limits."""
