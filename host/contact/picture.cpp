#include "contact/picture.h"

#include <fmt/format.h>

#include "contact/remarks.h"

namespace steadycell::contact {
namespace {

constexpr unsigned kRows = kLastOfSide;

// What stands beside the number of a pin.
std::string_view mark_of(Contact contact) {
  switch (contact) {
    case Contact::unused: return ".";
    case Contact::good: return "*";
    case Contact::held: return "=";
    case Contact::open: return "OPEN";
    case Contact::one_way: return "HALF";
    case Contact::tied: return "RAIL";
    case Contact::bridged: return "TIED";
    case Contact::unexpected: break;
  }
  return "ODD";
}

std::string volts_of(const Reading& reading, Contact contact) {
  if (contact == Contact::unused || contact == Contact::held) return "";
  const auto one = [](int mV) { return std::abs(mV) >= kCompliance_mV ? std::string("-") : fmt::format("{}", mV); };
  return one(reading.plus_mV) + "/" + one(reading.minus_mV);
}

struct Pin {
  unsigned number;
  std::string name, volts;
  std::string_view mark;
};

Pin pin_at(unsigned number, const Readings& readings, const Verdict& verdict) {
  const Contact contact = verdict.contacts[number];
  return {.number = number,
          .name = verdict.map.name_of(number),
          .volts = volts_of(readings.positions[number - 1], contact),
          .mark = mark_of(contact)};
}

std::string escaped(std::string_view text) {
  std::string out;
  for (const char c : text) {
    if (c == '<') out += "&lt;";
    else if (c == '>') out += "&gt;";
    else if (c == '&') out += "&amp;";
    else if (c == '"') out += "&quot;";
    else out += c;
  }
  return out;
}

// One leg, its mark and its words. The filled, hollow, crossed and dashed legs differ without any colour.
std::string svg_leg(const Pin& pin, Contact contact, bool left, int y) {
  constexpr int kBodyLeft = 300, kBodyRight = 500, kLeg = 44;
  const int x = left ? kBodyLeft - kLeg : kBodyRight;
  std::string_view style = R"(fill="none" stroke="#000" stroke-dasharray="2 3")";
  if (contact == Contact::good) style = R"(fill="#000" stroke="#000")";
  if (contact == Contact::held) style = R"(fill="#999" stroke="#000")";
  const bool fault = contact != Contact::good && contact != Contact::held && contact != Contact::unused;
  if (fault) style = R"(fill="#fff" stroke="#b00" stroke-width="2.5")";
  std::string out = fmt::format("<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"10\" {}/>\n", x, y - 5, kLeg, style);
  if (fault)
    out += fmt::format("<path d=\"M{0} {2}L{1} {3}M{0} {3}L{1} {2}\" stroke=\"#b00\" stroke-width=\"2.5\"/>\n", x + kLeg / 2 - 5,
                       x + kLeg / 2 + 5, y - 5, y + 5);
  out += fmt::format("<text x=\"{}\" y=\"{}\" text-anchor=\"{}\">{}</text>\n", left ? kBodyLeft + 6 : kBodyRight - 6, y + 4,
                     left ? "start" : "end", pin.number);
  const std::string words = fault ? fmt::format("{} {} {}", pin.name, pin.volts, pin.mark) : fmt::format("{} {}", pin.name, pin.volts);
  return out + fmt::format("<text x=\"{}\" y=\"{}\" text-anchor=\"{}\"{}>{}</text>\n", left ? x - 8 : x + kLeg + 8, y + 4,
                           left ? "end" : "start", fault ? " font-weight=\"bold\"" : "", escaped(words));
}

// Long sentences wrap at spaces.
std::vector<std::string> wrapped(const std::string& text, std::size_t width) {
  std::vector<std::string> lines;
  for (std::size_t at = 0; at < text.size();) {
    std::size_t end = std::min(at + width, text.size());
    if (end < text.size())
      if (const std::size_t space = text.rfind(' ', end); space != std::string::npos && space > at) end = space;
    lines.push_back(text.substr(at, end - at));
    at = end + (end < text.size() && text[end] == ' ' ? 1 : 0);
  }
  return lines;
}

}  // namespace

std::vector<std::string> draw_text(const Readings& readings, const Verdict& verdict) {
  std::vector<std::string> lines;
  lines.emplace_back("                            .-----------------.");
  for (unsigned row = 1; row <= kRows; ++row) {
    const Pin left = pin_at(row, readings, verdict), right = pin_at(kPositions + 1 - row, readings, verdict);
    std::string line = fmt::format("{:>6} {:>9} {:>4} {:>4} |{} {:15}| {:<4} {:<4} {:<9} {}", left.name, left.volts, left.mark, left.number,
                                   row == 1 ? "o" : " ", "", right.number, right.mark, right.volts, right.name);
    line.resize(line.find_last_not_of(' ') + 1);
    lines.push_back(std::move(line));
  }
  lines.emplace_back("                            '-----------------'");
  lines.emplace_back("seen from above, o = pin 1; mV at +100/-100 uA; * good  = rail  . not used");
  return lines;
}

std::string draw_svg(const Readings& readings, const Verdict& verdict, const std::string& title) {
  constexpr int kTop = 70, kStep = 20, kWide = 800;
  constexpr int kBottom = kTop + kStep * static_cast<int>(kRows);
  std::vector<std::string> words = wrapped(fmt::format("{}: {}", to_text(verdict.seating), verdict.sentence), 110);
  for (const std::string& note : verdict.notes)
    for (std::string& line : wrapped("note: " + note, 110)) words.push_back(std::move(line));
  const int height = kBottom + 50 + 16 * static_cast<int>(words.size());
  std::string out = fmt::format(
      "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{0}\" height=\"{1}\" viewBox=\"0 0 {0} {1}\" font-family=\"sans-serif\" "
      "font-size=\"12\">\n"
      "<title>{2}</title>\n<rect width=\"{0}\" height=\"{1}\" fill=\"#fff\"/>\n<text x=\"20\" y=\"26\" font-size=\"16\">{2}</text>\n"
      "<text x=\"20\" y=\"46\">seen from above; mV at +100/-100 uA; black = good, grey = rail held by the board, dashed = not used, "
      "crossed = look here</text>\n"
      "<rect x=\"300\" y=\"{3}\" width=\"200\" height=\"{4}\" fill=\"none\" stroke=\"#000\" stroke-width=\"2\"/>\n"
      "<circle cx=\"345\" cy=\"{5}\" r=\"7\"/>\n<text x=\"358\" y=\"{6}\">pin 1</text>\n",
      kWide, height, escaped(title), kTop - kStep / 2, kBottom - kTop, kTop, kTop + 4);
  for (unsigned row = 1; row <= kRows; ++row) {
    const int y = kTop + kStep * static_cast<int>(row - 1);
    const unsigned left = row, right = kPositions + 1 - row;
    out += svg_leg(pin_at(left, readings, verdict), verdict.contacts[left], true, y) +
           svg_leg(pin_at(right, readings, verdict), verdict.contacts[right], false, y);
  }
  int y = kBottom + 30;
  for (const std::string& line : words) {
    out += fmt::format("<text x=\"20\" y=\"{}\">{}</text>\n", y, escaped(line));
    y += 16;
  }
  return out + "</svg>\n";
}

}  // namespace steadycell::contact
