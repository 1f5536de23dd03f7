package config

// witnessSettings are those of the witnesses that cosign the audit logs.
func witnessSettings() []Setting {
	return []Setting{
		text("witnesses_file", "", "File that names the witnesses asked to cosign the audit logs' heads, one a line: the address of the witness and its "+
			"verifier key. They see hashes and how much the logs grow. Empty asks none.", func(c *Config) *string { return &c.WitnessesFile }),
		number("witness_seconds", "300", "How often each witness is asked about a log, at most.", 10, 86400, func(c *Config) *int { return &c.WitnessSeconds }),
	}
}
