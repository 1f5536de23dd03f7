package localpg

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
)

// secrets are the passwords of one server's three roles.
type secrets struct {
	Superuser string `json:"superuser_password"`
	Owner     string `json:"owner_password"`
	Service   string `json:"service_password"`
}

func newSecrets(random io.Reader) (secrets, error) {
	var s secrets
	for _, p := range []*string{&s.Superuser, &s.Owner, &s.Service} {
		text, err := randomText(random, 24)
		if err != nil {
			return secrets{}, err
		}
		*p = text
	}
	return s, nil
}

// derivedSecrets makes the passwords of a borrowed server from its admin
// password, so that processes which share the server agree on them without
// talking to each other, and nobody else can compute them.
func derivedSecrets(adminPassword string) secrets {
	derive := func(role string) string {
		mac := hmac.New(sha256.New, []byte(adminPassword))
		mac.Write([]byte("ponderal local postgres role " + role))
		return hex.EncodeToString(mac.Sum(nil)[:24])
	}
	return secrets{
		Superuser: adminPassword,
		Owner:     derive(OwnerRole),
		Service:   derive(ServiceRole),
	}
}

// randomText gives n random bytes as hexadecimal digits.
func randomText(random io.Reader, n int) (string, error) {
	b := make([]byte, n)
	if _, err := io.ReadFull(random, b); err != nil {
		return "", fmt.Errorf("read randomness: %w", err)
	}
	return hex.EncodeToString(b), nil
}
