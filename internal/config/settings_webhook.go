package config

import "strconv"

// webhookSettings are those of the events that payers' systems are sent.
func webhookSettings() []Setting {
	return []Setting{
		{Name: "webhook_private", Kind: kindYesNo, Default: "false",
			Doc:  "Send events to addresses that are not public as well: private networks and this machine itself. Whoever sets a webhook can then have the service call them.",
			set:  func(c *Config, v string) (err error) { c.WebhookPrivate, err = parseYesNo(v); return err },
			show: func(c *Config) string { return strconv.FormatBool(c.WebhookPrivate) }},
		text("webhook_ca_file", "", "Certificates of the authorities that payers' receivers are held against, PEM; empty takes those of the machine.",
			func(c *Config) *string { return &c.WebhookCAFile }),
	}
}
