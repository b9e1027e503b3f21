package store

import (
	"fmt"
	"strings"

	"rigkeep/repo/internal/disk"
	"rigkeep/repo/internal/gitdir"
)

func errNoIdentity() error {
	return &Error{Kind: ErrNoIdentity, Msg: "No author set",
		Hint: "Say once who works here, a role will do:\n" +
			"  git config --global user.name 'A-cam operator'\n" +
			"  git config --global user.email a-cam@example.org\n" +
			"Or for one command, or in the environment as RIGKEEP_AUTHOR:\n" +
			"  --as 'A-cam operator <a-cam@example.org>'"}
}

// ParsePerson reads "Name or role <mail>".
func ParsePerson(s string) (Person, error) {
	name, rest, ok := strings.Cut(s, "<")
	mail, after, ok2 := strings.Cut(rest, ">")
	p := Person{clean(name), clean(mail)}
	if !ok || !ok2 || strings.TrimSpace(after) != "" || p.Name == "" || p.Email == "" || strings.ContainsAny(p.Email, " \t") {
		return Person{}, &Error{Kind: ErrNoIdentity, Msg: fmt.Sprintf("%q is not an author", s),
			Hint: "write a name or role and an e-mail address: \"A-cam operator <a-cam@example.org>\""}
	}
	return p, nil
}

// Identity finds out who is saving: from the --as flag ("Name <mail>", empty if not given), then
// RIGKEEP_AUTHOR in the same form, then GIT_AUTHOR_NAME and GIT_AUTHOR_EMAIL, each completed from
// git's configuration (the library's own, then the person's, then the machine's). Nobody is made
// up. getenv is os.Getenv or a test's.
//
// Errors: ErrNoIdentity, with the question to ask.
func (l *Lib) Identity(as string, getenv func(string) string) (Person, error) {
	return identity(as, getenv, func(key string) string { return l.d.Option(getenv, "user", key) })
}

// IdentityOutside is Identity before there is a library.
func IdentityOutside(as string, getenv func(string) string) (Person, error) {
	return identity(as, getenv, func(key string) string {
		return gitdir.GlobalOption(disk.OS{}, getenv, "", "user", key)
	})
}

func identity(as string, getenv func(string) string, config func(string) string) (Person, error) {
	if as != "" {
		return ParsePerson(as)
	}
	if v := getenv("RIGKEEP_AUTHOR"); v != "" {
		return ParsePerson(v)
	}
	p := Person{clean(getenv("GIT_AUTHOR_NAME")), clean(getenv("GIT_AUTHOR_EMAIL"))}
	if p.Name == "" {
		p.Name = clean(config("name"))
	}
	if p.Email == "" {
		p.Email = clean(config("email"))
	}
	if p.Name == "" || p.Email == "" {
		return Person{}, errNoIdentity()
	}
	return p, nil
}
