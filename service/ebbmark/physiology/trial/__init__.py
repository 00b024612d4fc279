"""From readings in any order to the steps of one decremental limb."""
