package config

// signInSettings are those of signing in: of people with a login, and with an OpenID Connect issuer.
func signInSettings() []Setting {
	return []Setting{
		text("second_factor_key_file", "", "File of the keys that seal second factors, made by `ponderal identity -new-key ID`; the first one seals. Without it nobody signs in with a password.",
			func(c *Config) *string { return &c.SecondFactorKeyFile }),
		text("openid_issuers_file", "", "JSON file of the OpenID Connect issuers whose ID tokens are taken: issuer, audiences, algorithms, max_token_age_seconds, two_factors. "+
			"Without it nobody signs in with an ID token.", func(c *Config) *string { return &c.OpenIDIssuersFile }),
		number("sign_in_minutes", "720", "How long a token works that was signed in for.", 5, 720, func(c *Config) *int { return &c.SignInMinutes }),
		text("sign_in_name", "Ponderal", "What people's authenticator apps call this service; one line without a colon.", func(c *Config) *string { return &c.SignInName }),
		number("password_memory_mib", "256", "Memory in MiB for passwords being checked at once; one takes 64.", 64, 65_536, func(c *Config) *int { return &c.PasswordMemoryMiB }),
	}
}
