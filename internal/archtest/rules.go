package archtest

// arrow says which rooms of the module a room may import. Test files may import more: they stand outside the service.
type arrow struct {
	room   string
	may    []string
	reason string
}

const (
	api = "api"
	gen = "api/ponderal/v1"
)

// pure are the rooms without input or output: upper layers may use them all.
var pure = []string{"internal/mass", "internal/fault", "internal/record", "internal/canon", "internal/merkle", "internal/seal"}

func rooms(more ...string) []string { return append(append([]string{}, pure...), more...) }

// arrows is the table of rooms. A room that is not in it fails: a new room says what it may see. The longest name that fits a package counts.
var arrows = []arrow{
	{"", nil, "the root holds no code"},
	{"api", nil, "generated code and its embedding depend on nothing of ours"},
	{"api/client", []string{gen}, "a client of the API that others can import, and so knows nothing but the contract"},
	{"migrations", nil, "the schema depends on nothing of ours"},
	{"cmd", []string{"internal", "api", "migrations"}, "the commands wire everything together"},
	{"internal/mass", nil, "exact quantities stand on nothing"},
	{"internal/fault", nil, "error kinds stand on nothing"},
	{"internal/canon", nil, "canonical bytes are pure"},
	{"internal/merkle", nil, "hashing is pure"},
	{"internal/seal", []string{"internal/canon"}, "signing is pure, over canonical bytes"},
	{"internal/record", []string{"internal/mass", "internal/fault", "internal/canon"}, "the stored types know no rule above them"},
	{"internal/engine", []string{"internal/engine", "internal/mass", "internal/record", "internal/fault"}, "the engine is a function of records"},
	{"internal/engine/golden", []string{"internal/engine", "internal/mass", "internal/record", "internal/fault", "internal/canon"},
		"the golden cases are read as records in canonical form"},
	{"internal/bundle", rooms("internal/engine"), "offline verification needs no store"},
	{"internal/store", []string{"internal/record", "internal/fault", "internal/canon", "migrations"}, "all SQL, and nothing above it; it looks for members in canonical text"},
	{"internal/auditlog", rooms("internal/store"), "appends in the caller's transaction"},
	{"internal/authn", []string{"internal/record", "internal/fault", "internal/canon", "internal/store"}, "a credential becomes a principal, whoever asks"},
	{"internal/authn/openid", []string{"internal/fault"}, "ID tokens stand on nothing but the vocabulary of errors"},
	{"internal/authn/openid/issuertest", nil, "an issuer of its own, for tests"},
	{"internal/authn/otp", []string{"internal/fault"}, "one-time codes stand on nothing but the vocabulary of errors"},
	{"internal/authn/password", []string{"internal/fault"}, "passwords stand on nothing but the vocabulary of errors"},
	{"internal/casework", rooms("internal/engine", "internal/bundle", "internal/store", "internal/auditlog", "internal/authn", "internal/limit", "internal/webhook"),
		"the use cases know no transport"},
	{"internal/auditcheck", rooms("internal/bundle", "internal/store"), "reads the store; knows no use case, so that it judges them"},
	{"internal/deskwork", rooms("internal/engine"), "the use cases that need nothing stored; they know no transport and no store"},
	{"internal/rpc", []string{gen, "internal/mass", "internal/fault", "internal/record", "internal/authn", "internal/casework", "internal/deskwork", "internal/limit"},
		"contract on one side, use cases on the other; no store"},
	{"internal/gateway", []string{gen, api, "internal/fault", "internal/rpc", "internal/limit"},
		"a client of the gRPC server, so that every access rule applies; it takes its error answers from the one table in rpc"},
	{"internal/witness/witnesstest", nil, "a witness of its own, for tests"},
	{"internal/witness", pure, "a client of the witness protocol; it is given the logs, and knows no store"},
	{"internal/webhook", []string{"internal/record"}, "an HTTP client that is given what to send, and knows no store"},
	{"internal/config", []string{"internal/fault", "internal/limit"}, "settings know no room that they set up; how proxies are named is pure"},
	{"internal/limit", nil, "the arithmetic of limits stands on nothing"},
	{"internal/serve", []string{gen, "internal/rpc", "internal/gateway", "internal/casework", "internal/authn", "internal/fault", "internal/config", "internal/store", "internal/record"},
		"starts and stops what it is given"},
	{"internal/localpg", nil, "a private Postgres knows nothing of ours"},
	{"internal/pgtest", []string{"internal/localpg", "migrations"}, "test support"},
	{"internal/demo", []string{gen, "api/client", "internal/demo", "internal/mass", "internal/seal", "internal/bundle", "internal/merkle", "internal/record", "internal/canon"},
		"verifies like any client and plays through the public API only"},
	{"internal/load", []string{gen, "internal/demo/scenario", "internal/mass"}, "measures through the public API, and beside it by raw copies"},
	{"internal/soak", []string{gen}, "a client of the API that starts and kills what it is given"},
	{"internal/archtest", nil, "reads source text only"},
	{"internal/e2e", nil, "holds tests only"},
}

// importRule says where a package from outside may be imported.
type importRule struct {
	// prefix is the import path, or its beginning up to a slash.
	prefix string
	// in are the rooms that may; tests says that test files may everywhere.
	in     []string
	tests  bool
	reason string
}

// testRooms are the rooms that are there for tests.
var testRooms = []string{"internal/pgtest", "internal/e2e"}

var importRules = []importRule{
	{"github.com/jackc/pgx", []string{"internal/store", "internal/pgtest", "internal/localpg", "internal/load", "migrations"}, true,
		"SQL stands in the store; localpg and pgtest make databases, migrations the schema, and load measures raw copies against it"},
	{"github.com/riverqueue/river", []string{"internal/store"}, true, "the job queue is SQL, and its transactions are the store's"},
	{"github.com/standard-webhooks", []string{"internal/webhook"}, true, "events are signed where they are sent"},
	{"database/sql", []string{"migrations"}, true, "SQL stands in the store; only golang-migrate needs the standard interface"},
	{"github.com/golang-migrate", []string{"migrations"}, true, "the schema moves in one place"},
	{"google.golang.org/grpc/codes", []string{"internal/rpc", "internal/demo", "internal/load", "internal/soak", "api/client"}, true,
		"a kind becomes a code in one table; clients of the API read codes"},
	{"google.golang.org/grpc/status", []string{"internal/rpc", "internal/demo", "internal/load", "internal/soak", "api/client"}, true,
		"a kind becomes a status in one place; clients of the API read them"},
	{"google.golang.org/grpc", []string{"internal/rpc", "internal/gateway", "internal/serve", "internal/demo", "internal/load", "internal/soak", "api", "cmd"}, true,
		"the rooms below the transport know no transport"},
	{Module + "/" + gen, []string{"internal/rpc", "internal/gateway", "internal/demo", "internal/load", "internal/soak", "api"}, true,
		"a generated message ends where the use cases begin; demo, load and soak are clients of the API"},
	{"crypto/rand", []string{"cmd", "internal/pgtest"}, true, "randomness is handed in by cmd; pgtest has no cmd"},
	{"flag", []string{"cmd"}, true, "flags are read by cmd"},
	{"os/signal", []string{"cmd"}, true, "signals are handled by cmd"},
	{"crypto/sha256", []string{"internal/canon", "internal/merkle", "internal/seal", "internal/authn", "internal/rpc", "internal/localpg", "internal/limit"}, true,
		"records are hashed in canon and merkle; seal makes thumbprints, authn compares secrets, rpc turns filters into page tokens, localpg answers a login"},
	{"unsafe", nil, false, "nothing here needs it"},
}

// wordRule says where a selector such as os.Exit may stand; every use of the name counts, a call or a value.
type wordRule struct {
	pkg    string // import path
	names  []string
	in     []string
	tests  bool
	reason string
}

var wordRules = []wordRule{
	{"os", []string{"Exit"}, []string{"cmd"}, false, "only main ends the process, after everything is closed"},
	{"os", []string{"Getenv", "LookupEnv", "Environ", "Setenv"}, []string{"cmd", "internal/pgtest"}, true,
		"the environment is read by cmd and handed in; pgtest is the tests' cmd"},
	{"time", []string{"Now", "Since", "Until"}, []string{"cmd", "internal/pgtest"}, true, "the clock is handed in by cmd"},
	{"math/rand/v2", []string{"Int", "IntN", "Int64N", "N", "Float64", "Uint64", "Shuffle", "Perm"}, []string{"cmd", "internal/store", "api/client"}, true,
		"randomness is handed in; the jitter of the store's retries is the exception, which decides nothing that is stored"},
	{"github.com/google/uuid", []string{"New", "NewString", "NewRandom", "NewV7", "NewUUID", "NewV6"}, []string{"cmd"}, true,
		"random ids come from the randomness that cmd hands in"},
	{"log", []string{"Fatal", "Fatalf", "Fatalln", "Panic", "Panicf", "Panicln", "Print", "Printf", "Println"}, nil, false,
		"no process-wide logger, and no end of the process on the side"},
}

// builtinRules say where a builtin may be called.
var builtinRules = []struct {
	name   string
	in     []string
	tests  bool
	reason string
}{
	{"panic", nil, true, "an error is returned"},
	{"recover", []string{"internal/rpc", "internal/localpg", "internal/casework"}, true,
		"one interceptor turns a panic into an internal error, and casework one of a goroutine of its own; localpg keeps a container library's panic from a missing engine to itself"},
}

// embedRooms may embed files.
var embedRooms = []string{"internal/gateway", "internal/web", "migrations", "api"}

const embedReason = "files are embedded where they are served or run"

// floatFree are the rooms without binary floats.
var floatFree = []string{"internal/mass"}

const floatReason = "a capacity of exactly 50 lb decides a strength level, so masses are integers"

// The budget of size, for files that are neither generated nor tests.
const (
	maxFunctionLines = 60
	maxFileLines     = 400
)

// roomy are the functions and files that may be larger, each with its reason. A function is `room.Name` or `room.Type.Name`, a file its path.
var roomy = map[string]string{}
