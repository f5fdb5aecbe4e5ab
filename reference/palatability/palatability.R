# Paired feeding trials (invented): share eaten, control loss taken off by Abbott's formula; paired tests.
options(digits = 12)
d <- read.csv("dishes.csv")
m <- d$eaten_cm2 / d$offered_cm2
s <- d$control_loss_cm2 / d$control_offered_cm2
d$share <- (m - s) / (1 - s)
a <- d$share[d$source == "without ants"]; b <- d$share[d$source == "with ants"]
cat("all dishes\n")
print(t.test(a, b, paired = TRUE)[c("statistic", "parameter", "p.value", "conf.int", "estimate")])
print(wilcox.test(a, b, paired = TRUE)[c("statistic", "p.value")])
cat("rounded to tenths, with ties and noughts: normal approximation\n")
x <- round(a - b, 1)
print(sum(x == 0))
print(suppressWarnings(wilcox.test(x))[c("statistic", "p.value")])
cat("means of two dishes of an animal\n")
g <- aggregate(x ~ k, data.frame(x = a - b, k = rep(1:15, each = 2)), mean)
print(t.test(g$x)[c("statistic", "p.value", "conf.int")])
print(R.version.string)
