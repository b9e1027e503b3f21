package main

import (
	_ "embed"
	"encoding/json"
	"maps"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/schema"
)

// answers holds the JSON Schema of what each command prints with --json, by command. The test
// that compares it with what the commands print also writes it.
//
//go:embed answers.json
var answers []byte

func schemaVerb() command {
	return command{
		name: "schema", args: "KIND | --answers COMMAND", short: "print the JSON Schema of a file kind or an answer",
		long: "Kinds: " + strings.Join(schema.Kinds, ", ") + ". A library has them all under schema/, and its files name them in their first line, which editors that check TOML read. " +
			"--answers gives the schema of what COMMAND prints with --json; without a command it lists those that have one.",
		example: "rigkeep schema tune > tune.schema.json\nrigkeep schema --answers fit\nrigkeep schema --answers rig list",
		flags:   []cli.Flag{&cli.BoolFlag{Name: "answers", Usage: "the schema of a command's answer instead"}},
		noLib:   true, maxArgs: -1, argKind: []string{"kind"}, run: runSchema,
	}
}

func runSchema(k *invocation) error {
	if k.c.Bool("answers") {
		return k.answerSchema(strings.Join(k.args, " "))
	}
	if len(k.args) != 1 {
		return usage("schema needs one kind of file").hinted("kinds: %s", strings.Join(schema.Kinds, ", "))
	}
	if _, ok := k.cat.Kind(k.args[0]); !ok {
		f := fail(exitNotFound, "unknown file kind %q", k.args[0])
		if s := schema.Suggest(k.args[0], schema.Kinds); s != "" {
			return f.hinted("%s", s)
		}
		return f.hinted("kinds: %s", strings.Join(schema.Kinds, ", "))
	}
	js, err := k.cat.JSONSchema(k.args[0])
	if err != nil {
		return err
	}
	k.write(string(js))
	return nil
}

func (k *invocation) answerSchema(command string) error {
	var all map[string]json.RawMessage
	if err := json.Unmarshal(answers, &all); err != nil {
		return err
	}
	names := slices.Sorted(maps.Keys(all))
	if command == "" {
		k.printf("%s\n", strings.Join(names, "\n"))
		return nil
	}
	one, ok := all[command]
	if !ok {
		f := fail(exitNotFound, "no schema of an answer of %q", command)
		if s := schema.Suggest(command, names); s != "" {
			return f.hinted("%s", s)
		}
		return f.hinted("list them with: rigkeep schema --answers")
	}
	var doc map[string]any
	if err := json.Unmarshal(one, &doc); err != nil {
		return err
	}
	doc["$schema"], doc["title"] = "https://json-schema.org/draft/2020-12/schema", "rigkeep "+command+" --json"
	return k.encode(doc)
}
