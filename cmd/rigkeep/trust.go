package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"rigkeep/diffview/safe"
	"rigkeep/repo/handover"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

func trustVerb() command {
	return command{
		name: "trust", short: "whose signatures count here",
		subs: []command{
			{
				name: "list", short: "the keys pinned here, and those that the library proposes",
				long: "Keys that count are pinned on each machine, outside the library, for each library by its first revision. What " + handover.SignersPath + " says is a proposal: whoever may push may write there. " +
					"A proposal is shown with its name, its print, the revision that made it, and the pinned key that signed that revision, if one did.",
				example: "rigkeep trust list\nrigkeep trust list --json",
				reads:   true, run: runTrustList,
			},
			{
				name: "add", args: "[PRINT | 'NAME TYPE KEY' | FILE]…", short: "pin a key: from now on its signature counts here",
				long: "PRINT (SHA256:…, in full) pins a key that the library proposes; a line of OpenSSH's allowed_signers form, or a FILE of such lines, pins one that came by another way. " +
					"Without arguments it asks at the terminal about each proposal. Confirm a print with its owner by another way first: by phone, or in person.",
				example: "rigkeep trust add\nrigkeep trust add SHA256:uNiVztksCsDhcc0u9e8BrRJiOBqkmWXRnUhUTYTpLhM\nrigkeep trust add ../a-cam.signers",
				changes: true, maxArgs: -1, argKind: []string{"file"}, run: runTrustAdd,
			},
			{
				name: "remove", args: "PRINT | NAME", short: "unpin a key: its signature no longer counts here",
				long:    "What was accepted stays as it is: the revisions that took in a handover name the key that signed it.",
				example: "rigkeep trust remove SHA256:uNiVztksCsDhcc0u9e8BrRJiOBqkmWXRnUhUTYTpLhM\nrigkeep trust remove a-cam@example.org",
				changes: true, minArgs: 1, maxArgs: 1, argKind: []string{"none"}, run: runTrustRemove,
			},
		},
	}
}

// pins reads the keys pinned here for the open library, and the file that holds them.
func (k trustRun) pins() (*handover.Pins, string, error) {
	first, err := k.lib.Store.Revisions().First()
	if err != nil {
		return nil, "", err
	}
	name := ""
	if first != "" {
		name = k.userFile(filepath.Join("trust", string(first)+".toml"))
	}
	var data []byte
	if name != "" {
		if data, err = os.ReadFile(name); err != nil && !os.IsNotExist(err) {
			return nil, "", outError(name, err)
		}
	}
	p, err := handover.ReadPins(name, data, first)
	return p, name, err
}

// keepPins writes the file of pins.
func (k trustRun) keepPins(p *handover.Pins, name string) error {
	if name == "" {
		return usage("no place to keep trusted keys").hinted("set HOME or XDG_CONFIG_HOME; the library needs a first revision")
	}
	if err := os.MkdirAll(filepath.Dir(name), 0o700); err != nil {
		return outError(name, err)
	}
	text, err := p.Text()
	if err != nil {
		return err
	}
	return replaceFile(name, text)
}

// pin pins a proposal and keeps it.
func (k trustRun) pin(p *handover.Pins, name string, x handover.Proposal) error {
	_, was, err := p.Add(x.Signer, x.Revision, x.By.Name, k.Now())
	if err != nil {
		return err
	}
	if err := k.keepPins(p, name); err != nil {
		return err
	}
	k.sayPinned(x.Key.Print, x.Principals, was)
	return nil
}

// sayPinned says that a key counts from now on.
func (k trustRun) sayPinned(print string, names []string, was string) {
	k.say("pinned %s for %s", print, safe.Line(strings.Join(names, ", ")))
	if was != "" {
		k.say("the name signed with %s until now", was)
	}
}

// bind notes which key a sender's name signed with.
func (k trustRun) bind(t *taking) {
	if !t.sig.good() || t.sig.List != "" {
		return
	}
	p, name, err := k.pins()
	if err == nil && p.Bind(t.p.Sender.Email, t.sig.Key, k.Now()) {
		err = k.keepPins(p, name)
	}
	if err != nil {
		k.say("the sender's key could not be noted: %v", err)
	}
}

// canAsk reports whether there is a person at a terminal. --yes does not answer who is trusted.
func (k trustRun) canAsk() bool {
	return !k.json() && !k.c.Bool("no-input") && !k.c.Bool("yes") && tty(k.Stdin)
}

var errNotPinned = errors.New("not pinned")

// askPin asks whether to pin a proposal: once where a key that counts already signed the revision
// that made it, else for the end of the print, as its owner says it.
func (k trustRun) askPin(x handover.Proposal) error {
	names := safe.Line(strings.Join(x.Principals, ", "))
	fmt.Fprint(k.Stderr, k.fold(k.Stderr, fmt.Sprintf("%s\n  is proposed for %s by %s", x.Key.Print, names, safe.Line(x.Origin(k.Now().Location())))), "\n")
	var answer string
	if x.Vouched != "" {
		fmt.Fprint(k.Stderr, "Pin it? [y/N] ")
		if _, err := fmt.Fscanln(k.Stdin, &answer); err != nil || !strings.HasPrefix(strings.ToLower(answer), "y") {
			return errNotPinned
		}
		return nil
	}
	fmt.Fprint(k.Stderr, k.fold(k.Stderr, "Let its owner read the print to you, by phone or in person. The last 6 characters as they say them, or nothing:"), " ")
	if _, err := fmt.Fscanln(k.Stdin, &answer); err != nil || answer == "" {
		return errNotPinned
	}
	if !strings.HasSuffix(x.Key.Print, answer) || len(answer) < 6 {
		return fail(exitDamaged, "%s does not end in %q; nothing was pinned", x.Key.Print, answer).hinted("if %s says so, the key that the library proposes is another person's", names)
	}
	return nil
}

// trustAnswer is the documented JSON shape of trust list.
type trustAnswer struct {
	Format    int             `json:"format"`
	Library   string          `json:"library"` // its first revision
	File      string          `json:"file"`    // of the pins, "" where there is no place for one
	Pinned    []trustPin      `json:"pinned"`
	Proposed  []trustProposal `json:"proposed"` // and not pinned
	Malformed int             `json:"malformed"`
}

type trustPin struct {
	Print      string    `json:"print"`
	Signer     string    `json:"signer"`
	Names      []string  `json:"names"` // that signed with it here
	Added      time.Time `json:"added"`
	Revision   string    `json:"revision,omitempty"` // that proposed it
	By         string    `json:"by,omitempty"`
	InProposal bool      `json:"proposed"` // the library still proposes it, in the same words
}

type trustProposal struct {
	Print    string    `json:"print"`
	Names    []string  `json:"names"`
	Signer   string    `json:"signer"`
	Revision string    `json:"revision,omitempty"`
	By       string    `json:"by,omitempty"`
	When     time.Time `json:"when,omitzero"`
	Vouched  string    `json:"vouched_by,omitempty"` // the pinned key that signed the revision
}

func proposalsOf(all []handover.Proposal) []trustProposal {
	out := []trustProposal{}
	for _, x := range all {
		if !x.Pinned {
			p := trustProposal{Print: x.Key.Print, Names: x.Principals, Signer: x.Signer, Revision: string(x.Revision), Vouched: x.Vouched}
			if x.Revision != "" {
				p.By, p.When = x.By.Name, x.When
			}
			out = append(out, p)
		}
	}
	return out
}

func runTrustList(k *invocation) error {
	pins, name, err := trustRun{k}.pins()
	if err != nil {
		return err
	}
	all, bad, err := handover.Proposals(k.lib.Store, pins, k.Now())
	if err != nil {
		return err
	}
	a := trustAnswer{Format: 1, Library: pins.Library, File: name, Pinned: []trustPin{}, Proposed: proposalsOf(all), Malformed: bad}
	for _, p := range pins.Keys {
		x := trustPin{Print: p.Print, Signer: p.Signer, Names: []string{}, Added: p.Added, Revision: p.Revision, By: p.By,
			InProposal: slices.ContainsFunc(all, func(x handover.Proposal) bool { return x.Signer == p.Signer })}
		for _, n := range pins.Names {
			if n.Print == p.Print {
				x.Names = append(x.Names, n.Mail)
			}
		}
		a.Pinned = append(a.Pinned, x)
	}
	if k.json() {
		return k.encode(a)
	}
	k.printf("%s\n", k.paint.bold(fmt.Sprintf("Pinned here: %s", schema.Count(len(a.Pinned), "key", "keys"))))
	for _, p := range a.Pinned {
		who, _, _ := strings.Cut(p.Signer, " ")
		k.printf("  %s\n", p.Print)
		text := fmt.Sprintf("for %s, since %s", who, k.clock(p.Added))
		if p.Revision != "" {
			text += fmt.Sprintf(", proposed by revision %s of %s", store.Rev(p.Revision).Short(), p.By)
		}
		if len(p.Names) > 0 {
			text += "; signed here as " + strings.Join(p.Names, ", ")
		}
		k.write(wrap(safe.Line(text), "    ", k.wide))
	}
	k.printf("%s\n", k.paint.bold(fmt.Sprintf("Proposed by the library, not pinned: %s", schema.Count(len(a.Proposed), "key", "keys"))))
	for _, x := range all {
		if x.Pinned {
			continue
		}
		k.printf("  %s\n", x.Key.Print)
		k.write(wrap(safe.Line("for "+strings.Join(x.Principals, ", ")+", by "+x.Origin(k.Now().Location())), "    ", k.wide))
	}
	if bad > 0 {
		k.say("%s of %s unreadable; they propose no key", schema.Count(bad, "line", "lines"), handover.SignersPath)
	}
	if len(a.Proposed) > 0 {
		k.say("pin one, once its owner confirmed it by another way, with:\n  rigkeep trust add")
	}
	return nil
}

func runTrustAdd(k *invocation) error {
	pins, name, err := trustRun{k}.pins()
	if err != nil {
		return err
	}
	all, _, err := handover.Proposals(k.lib.Store, pins, k.Now())
	if err != nil {
		return err
	}
	open := slices.DeleteFunc(slices.Clone(all), func(x handover.Proposal) bool { return x.Pinned })
	if len(k.args) == 0 {
		return trustRun{k}.pinProposals(pins, name, open)
	}
	type named struct {
		line string
		from store.Rev
		by   string
	}
	var add []named
	for _, arg := range k.args {
		switch {
		case strings.HasPrefix(arg, "SHA256:"):
			i := slices.IndexFunc(open, func(x handover.Proposal) bool { return x.Key.Print == arg })
			if i < 0 && pins.Pinned(arg) != nil {
				return fail(exitConflict, "%s is pinned already", arg)
			}
			if i < 0 {
				return fail(exitNotFound, "the library proposes no key %s", arg).hinted("Try: rigkeep trust list")
			}
			add = append(add, named{open[i].Signer, open[i].Revision, open[i].By.Name})
		case strings.ContainsAny(arg, " \t"):
			add = append(add, named{line: arg})
		default:
			text, err := os.ReadFile(k.path(arg))
			if err != nil {
				return fail(exitNotFound, "%q is neither the print of a key (SHA256:…) nor a file", arg).hinted("Try: rigkeep trust list")
			}
			if _, err := handover.ParseTrusted(arg, text, time.Local); err != nil {
				return err
			}
			for _, line := range lines(string(text)) {
				if line[0] != '#' {
					add = append(add, named{line: line})
				}
			}
		}
	}
	var said [][3]string
	for _, a := range add {
		print, was, err := pins.Add(a.line, a.from, a.by, k.Now())
		if err != nil {
			return err
		}
		who, _, _ := strings.Cut(a.line, " ")
		said = append(said, [3]string{print, who, was})
	}
	k.recordResult("", "", "", name)
	if k.dryRun() {
		for _, s := range said {
			k.printf("would pin %s for %s\n", s[0], safe.Line(s[1]))
		}
		return nil
	}
	if err := (trustRun{k}).keepPins(pins, name); err != nil {
		return err
	}
	for _, s := range said {
		trustRun{k}.sayPinned(s[0], []string{s[1]}, s[2])
	}
	return nil
}

// pinProposals asks about each proposal at the terminal.
func (k trustRun) pinProposals(pins *handover.Pins, name string, open []handover.Proposal) error {
	if len(open) == 0 {
		return fail(exitNotFound, "the library proposes no key that is not pinned")
	}
	if !k.canAsk() {
		f := usage("no terminal for questions, and %s proposed", schema.Count(len(open), "key", "keys")+map[bool]string{true: " is", false: " are"}[len(open) == 1])
		var ways []string
		for _, x := range open {
			ways = append(ways, "rigkeep trust add "+x.Key.Print)
		}
		return f.hinted("once its owner confirmed it by another way: %s", strings.Join(ways, "\n"))
	}
	for _, x := range open {
		err := k.askPin(x)
		if errors.Is(err, errNotPinned) {
			k.say("not pinned")
			continue
		}
		if err != nil {
			return err
		}
		if err := k.pin(pins, name, x); err != nil {
			return err
		}
	}
	return nil
}

func runTrustRemove(k *invocation) error {
	pins, name, err := trustRun{k}.pins()
	if err != nil {
		return err
	}
	arg := k.args[0]
	var found []string
	for _, p := range pins.Keys {
		who, _, _ := strings.Cut(p.Signer, " ")
		if p.Print == arg || slices.Contains(strings.Split(strings.Trim(who, `"`), ","), arg) || pins.Bound(arg) == p.Print {
			found = append(found, p.Print)
		}
	}
	switch len(found) {
	case 0:
		return fail(exitNotFound, "no key %q is pinned here", arg).hinted("Try: rigkeep trust list")
	case 1:
	default:
		return usage("%q has %d keys", arg, len(found)).hinted("name one: %s", strings.Join(found, ", "))
	}
	pins.Remove(found[0])
	k.recordResult("", "", "", name)
	if k.dryRun() {
		k.printf("would unpin %s\n", found[0])
		return nil
	}
	if err := (trustRun{k}).keepPins(pins, name); err != nil {
		return err
	}
	k.say("%s no longer counts here", found[0])
	return nil
}

// sayProposed tells of keys that a library proposes and nobody here pinned.
func (k trustRun) sayProposed(xs []trustProposal) {
	if len(xs) == 0 {
		return
	}
	k.say("%s proposes %s that count for nothing until you pin them:", handover.SignersPath, schema.Count(len(xs), "key", "keys"))
	for _, x := range xs {
		k.say("  %s for %s, by revision %s of %s", x.Print, safe.Line(strings.Join(x.Names, ", ")), store.Rev(x.Revision).Short(), safe.Line(x.By))
	}
	k.say("  rigkeep trust list")
}
