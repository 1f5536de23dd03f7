package config

// limitSettings are those of limits, which hold across all replicas. None can be switched off: 0 is refused.
func limitSettings() []Setting {
	return []Setting{
		number("rate_limit_per_minute", "6000", "Calls a minute of each holder of credentials (member, payer or station), over all replicas.", 1, 10_000_000,
			func(c *Config) *int { return &c.RateLimitPerMinute }),
		number("rate_limit_address_per_minute", "30000", "Calls a minute from each address (of IPv6, from each /64); a refused credential counts eleven times.",
			1, 10_000_000, func(c *Config) *int { return &c.RateLimitAddressPerMinute }),
		number("sign_in_attempts", "10", "Failed attempts at one login from one address before each further one has to wait longer; ten times as many "+
			"for a login from everywhere, and for an address.", 1, 100, func(c *Config) *int { return &c.SignInAttempts }),
		number("sign_in_window_seconds", "900", "How long failed attempts to sign in are remembered.", 60, 86_400,
			func(c *Config) *int { return &c.SignInWindowSeconds }),
		text("trusted_proxies", "", "Networks of proxies whose X-Forwarded-For says who calls, for example `10.0.0.0/8, 2001:db8::/32`; everybody else's is ignored.",
			func(c *Config) *string { return &c.TrustedProxies }),
	}
}
