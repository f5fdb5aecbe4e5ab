# Circular statistics of invented hours, and the two-sample test on the data of the package's own manual page.
suppressMessages(library(circular))
cat(R.version.string, "circular", as.character(packageVersion("circular")), "\n")
hours1 <- c(6.2, 7.1, 7.9, 8.4, 9.3, 10.0, 11.6, 5.5, 4.8, 12.7, 23.1, 8.8)
hours2 <- c(18.4, 19.9, 20.3, 22.8, 23.5, 1.2, 7.4, 21.0, 17.2, 16.6)
one <- circular(hours1 * 2 * pi / 24)
two <- circular(hours2 * 2 * pi / 24)
show <- function(name, values) cat(name, sprintf("%.12g", values), "\n")
for (n in c("one", "two")) {
  x <- get(n)
  test <- rayleigh.test(x)
  show(paste(n, "mean R rayleigh p"), c(as.numeric(mean(x)) %% (2 * pi), rho.circular(x), test$statistic, test$p.value))
}
test <- watson.two.test(one, two)
show("U2 one two", test$statistic)
# two samples with a value in common within each
tied1 <- circular(c(50, 290, 300, 300, 305, 320, 330, 330, 335, 340, 340, 355) * pi / 180)
tied2 <- circular(c(70, 155, 190, 195, 215, 235, 235, 240, 255, 260, 290, 300, 300, 300) * pi / 180)
show("U2 tied", watson.two.test(tied1, tied2)$statistic)
watson.two.test(one, two)
watson.two.test(tied1, tied2)
