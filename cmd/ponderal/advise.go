package main

import (
	"context"
	"fmt"
	"io"
	"strings"

	"ponderal.example/internal/demo"
	"ponderal.example/internal/deskwork"
	"ponderal.example/internal/rpc"
)

func adviseCommand() command {
	return command{
		name:      "advise",
		arguments: "FILE",
		about:     "Say what comes next in a series, at a desk, without a database or a network.",
		detail: `FILE is the API's own request as JSON (AdviseRequest: protocol, client, screening, kit, the trials so far and the
present moment); "-" reads standard input. The answer is start, wait, advance, repeat, back off or stop, with every
reason, its number and its limit, and with the inserts of the kit that make the next load; whoever is blinded is shown
the inserts and not the load. What is wrong is named by field and rule. Advice supports the licensed clinician who
runs the test and does not replace that judgement. Exit status 0 when there is advice, 1 when not.`,
		examples: []string{"ponderal advise testdata/examples/advice.json", "ponderal advise -json - < advice.json"},
		run:      runAdvise,
	}
}

func runAdvise(_ context.Context, w world, f *flags) error {
	return runDesk(w, f, (*rpc.Desk).Advise, writeAdvised)
}

// insertText lists the codes of a recipe.
func insertText(codes []string) string {
	if len(codes) == 0 {
		return "none, the tote alone"
	}
	return strings.Join(codes, " ")
}

func writeAdvised(out io.Writer, a deskwork.Advised) {
	fmt.Fprintf(out, "Advice: %s", words(a.Action))
	if a.Then != "" {
		fmt.Fprintf(out, ", then %s", words(a.Then))
	}
	fmt.Fprintln(out, ". Nothing was stored.")
	if a.Load != nil {
		fmt.Fprintf(out, "  next load  %s\n", massText(a.Load))
	}
	if a.Recipe != nil {
		fmt.Fprintf(out, "  inserts    %s\n", insertText(a.Recipe.Codes))
		if a.Load != nil && a.Recipe.Load != *a.Load {
			fmt.Fprintf(out, "  they make  %s\n", massText(&a.Recipe.Load))
		}
	}
	if a.Below != nil {
		fmt.Fprintf(out, "  kit below  %s\n", massText(a.Below))
	}
	if a.Above != nil {
		fmt.Fprintf(out, "  kit above  %s\n", massText(a.Above))
	}
	if !a.EarliestAt.IsZero() {
		fmt.Fprintf(out, "  earliest   %s\n", a.EarliestAt)
	}
	if len(a.Reasons) > 0 {
		rows := [][]string{{"guard", "calls for", "measured", "limit"}}
		for _, r := range a.Reasons {
			rows = append(rows, []string{words(r.Guard), words(r.Calls), dash(r.Measured), dash(r.Limit)})
		}
		fmt.Fprintln(out)
		writeTable(out, rows)
		fmt.Fprintln(out, "\nReasons")
		for _, r := range a.Reasons {
			demo.Paragraph(out, "  - ", "    ", r.Text)
		}
	}
	writeNotes(out, "Cautions", a.Cautions)
}
