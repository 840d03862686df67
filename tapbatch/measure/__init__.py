"""Numbers out: noise, poles, maximum likelihood, the bound, decays."""
