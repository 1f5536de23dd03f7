package openid

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"
)

// ReadIssuers reads the issuers' file: a JSON array, one object an issuer, with the members
//
//	issuer                https URL, exactly as tokens name it
//	audiences             the client ids under which the service is known there
//	parties               who may be the authorized party; absent means the audiences
//	algorithms            of signatures; absent means RS256
//	max_token_age_seconds how long after its issue a token is taken; absent means an hour
//	two_factors           values of acr or amr that say that two factors were used; absent means none
//
// Anything else in it is refused. What the members say is checked by New.
func ReadIssuers(file []byte) ([]Issuer, error) {
	var all []struct {
		Issuer     string   `json:"issuer"`
		Audiences  []string `json:"audiences"`
		Parties    []string `json:"parties"`
		Algorithms []string `json:"algorithms"`
		MaxAge     int      `json:"max_token_age_seconds"`
		TwoFactors []string `json:"two_factors"`
	}
	d := json.NewDecoder(bytes.NewReader(file))
	d.DisallowUnknownFields()
	if err := d.Decode(&all); err != nil {
		return nil, fmt.Errorf("read issuers: %w", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("read issuers: something follows the list")
	}
	if len(all) == 0 {
		return nil, errors.New("read issuers: none is named")
	}
	var out []Issuer
	for _, i := range all {
		if i.MaxAge < 0 || i.MaxAge > 24*3600 {
			return nil, fmt.Errorf("read issuers: %s: max_token_age_seconds is from 0 to 86400", i.Issuer)
		}
		out = append(out, Issuer{URL: i.Issuer, Audiences: i.Audiences, Parties: i.Parties, Algorithms: i.Algorithms,
			MaxTokenAge: time.Duration(i.MaxAge) * time.Second, TwoFactors: i.TwoFactors})
	}
	return out, nil
}
