package auditlog

import (
	"testing"

	"ponderal.example/internal/pgtest"
)

func TestMain(m *testing.M) { pgtest.Main(m) }
