package mapping

import (
	"fmt"
	"strconv"
	"strings"
)

// CanonicalPath writes a JSON path in the one way in which names of JSON values
// are written: members behind dots, d.cnt; elements in brackets, cnt[0]; member
// names that hold one of . [ ] " or are empty in brackets and quotes, ["a.b"].
// A leading $ or $. is dropped (RFC 9535 calls the payload itself $).
func CanonicalPath(path string) (string, error) {
	rest := path
	if rest == "$" || rest == "." {
		return "", nil
	}
	if strings.HasPrefix(rest, "$.") || strings.HasPrefix(rest, "$[") {
		rest = strings.TrimPrefix(rest[1:], ".")
	}
	var out []byte
	for first := true; rest != ""; first = false {
		if rest[0] != '[' {
			if !first {
				if rest[0] != '.' {
					return "", fmt.Errorf("want a dot before %q", rest)
				}
				rest = rest[1:]
			}
			end := strings.IndexAny(rest, `.["]`)
			if end < 0 {
				end = len(rest)
			}
			if end == 0 {
				return "", fmt.Errorf("a name is missing before %q", rest)
			}
			out = AppendMember(out, rest[:end])
			rest = rest[end:]
			continue
		}
		if len(rest) > 1 && rest[1] == '"' {
			quoted, err := strconv.QuotedPrefix(rest[1:])
			if err != nil {
				return "", fmt.Errorf("%q has no closing quote", rest)
			}
			name, err := strconv.Unquote(quoted)
			if err != nil || !strings.HasPrefix(rest[1+len(quoted):], "]") {
				return "", fmt.Errorf("want ] behind %s", quoted)
			}
			out = AppendMember(out, name)
			rest = rest[len(quoted)+2:]
			continue
		}
		end := strings.IndexByte(rest, ']')
		if end < 0 {
			return "", fmt.Errorf("%q has no closing bracket", rest)
		}
		n, err := strconv.ParseUint(rest[1:end], 10, 31)
		if err != nil {
			return "", fmt.Errorf("want a number from 0, or a name in quotes, in %q", rest[:end+1])
		}
		out = AppendElement(out, int(n))
		rest = rest[end+1:]
	}
	return string(out), nil
}

// AppendMember goes down into a member of an object.
func AppendMember(path []byte, name string) []byte {
	if name == "" || strings.ContainsAny(name, `.[]"`) {
		path = append(path, '[')
		path = strconv.AppendQuote(path, name)
		return append(path, ']')
	}
	if len(path) > 0 {
		path = append(path, '.')
	}
	return append(path, name...)
}

// AppendElement goes down into an element of a list.
func AppendElement(path []byte, i int) []byte {
	path = append(path, '[')
	path = strconv.AppendInt(path, int64(i), 10)
	return append(path, ']')
}
